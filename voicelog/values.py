"""Shared value types: the nouns that more than one room speaks of.

Nothing here does work. A room may import this module and the rooms that
`tests/test_rooms.py` allows it, nothing else of voicelog.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

SAMPLE_RATE = 16_000
"""Samples a second of every `Frames` inside voicelog, in Hz."""

GRAMS_PER_OUNCE = 28.349523125
"""International avoirdupois ounce in grams, exact by definition."""

Frames = npt.NDArray[np.int16]
"""Mono sound, shape (samples,), int16, at `SAMPLE_RATE`."""

Check = Callable[[], None]
"""Called between the steps of a long work by who does it. What it raises breaks the work off."""


def unchecked() -> None:
    """The `Check` of work that nothing breaks off."""


class VoicelogError(Exception):
    """A wrong input or a broken surrounding, told to a person in one line.

    The message says what is wrong and what to do about it. The command line
    prints it and exits with status 2.
    """


class Verdict(StrEnum):
    """What became of an utterance; the handler can always hear which."""

    ACCEPT = "accept"
    ASK = "ask"
    REJECT = "reject"


@dataclass(frozen=True, slots=True)
class Word:
    """One recognised word. Times in seconds from the start of the utterance;
    certainty from 0 (none) to 1."""

    text: str
    start_s: float
    end_s: float
    certainty: float


@dataclass(frozen=True, slots=True)
class Heard:
    """What a recogniser makes of one utterance.

    `certainty` runs from 0 to 1 and is for the whole utterance. `runner_up` is
    the words of the next best reading, when the engine knows one; `either` is the
    probability that it was one of these two, 0 where that is not known. `doubts` are
    reasons, in plain words, why the words should not be trusted as they stand.
    `by_two`: two listeners of different make heard them, and certainty is of both.
    No words at all means that nothing in the grammar was heard.
    """

    words: tuple[Word, ...]
    certainty: float
    engine: str
    runner_up: tuple[str, ...] | None = None
    doubts: tuple[str, ...] = ()
    either: float = 0.0
    by_two: bool = False

    @property
    def text(self) -> str:
        return " ".join(word.text for word in self.words)


def composed(text: str) -> str:
    """A name as names are kept and compared: in Unicode's form C, one character for a letter with its marks.

    A keyboard writes ü as one character, a file from elsewhere may hold it as u and the two dots.
    """
    return unicodedata.normalize("NFC", text)


def expanded(path: Path) -> Path:
    """A path with the home folder in the place of ~. Raises VoicelogError where there is none."""
    try:
        return path.expanduser()
    except (RuntimeError, ValueError):  # no such user, or a name that no user can have
        raise VoicelogError(f"{path}: there is no home folder {path.parts[0]}; write the whole path") from None


Sex = Literal["male", "female", "unsure"]
Amount = Literal["yes", "no", "trace"]
YesNo = Literal["yes", "no"]
Breast = Literal["rust", "speckled", "mixed"]
Condition = Literal["fine", "injured", "sick", "dead"]
Fate = Literal["keep", "grow out", "sell", "cull"]
BandNumber = Annotated[int, Field(ge=1, le=9999)]


class Call(BaseModel):
    """One thing said about one bird. A slot that was not said is None.

    `weight_g` is in grams, whatever unit was said. `band` is None only in a
    fragment whose bird is still to be found ("hen", about the bird in hand).
    `colour` is the band's, where a yard has coloured bands; the number alone
    names the bird, and a colour that was not said is left out of what is written.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    band: BandNumber | None = None
    colour: Annotated[str, Field(min_length=1, max_length=40)] | None = Field(
        default=None, exclude_if=lambda colour: colour is None
    )
    sex: Sex | None = None
    foam: Amount | None = None
    gland: YesNo | None = None
    breast: Breast | None = None
    weight_g: Annotated[float, Field(gt=0, lt=1000)] | None = None
    condition: Condition | None = None
    fate: Fate | None = None
    pen: Annotated[str, Field(min_length=1, max_length=40)] | None = None

    def said(self) -> dict[str, object]:
        """The slots that were said, without the band, in slot order."""
        return self.model_dump(exclude={"band"}, exclude_none=True)

    def over(self, earlier: Call) -> Call:
        """This call laid over an earlier one: what is said here wins."""
        return earlier.model_copy(update=self.model_dump(exclude_none=True))
