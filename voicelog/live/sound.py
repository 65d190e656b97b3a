"""What a live session needs of a sound system, real or made up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from voicelog.audio import Spoken
from voicelog.values import Frames

BLOCK_S = 0.02
"""Length of the pieces that sound comes in."""


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Sound of the microphone, shape (samples,), int16, 16 kHz; `at_s` is when its last sample was taken."""

    frames: Frames
    at_s: float


@dataclass(frozen=True, slots=True)
class Overrun:
    """Sound was lost, for it was not fetched in time."""

    at_s: float


@dataclass(frozen=True, slots=True)
class Began:
    """The first sample of what was to be played went out."""

    at_s: float


@dataclass(frozen=True, slots=True)
class Ended:
    """What was played is over, or was stopped."""

    at_s: float


@dataclass(frozen=True, slots=True)
class Lost:
    """The microphone is gone; it is waited for. `why` in plain words."""

    at_s: float
    why: str


@dataclass(frozen=True, slots=True)
class Back:
    """The microphone is there again."""

    at_s: float


@dataclass(frozen=True, slots=True)
class Over:
    """Nothing more will come: only recorded sound ends."""

    at_s: float


SoundEvent = Block | Overrun | Began | Ended | Lost | Back | Over


class Sound(Protocol):
    """A microphone and a speaker with one clock, in seconds that never go back.

    `wait` gives the next event, or None where none came for a while; `behind`
    says whether more events are there already. `play` begins to play, shape
    (samples,), int16, at `rate` Hz, and returns at once; `stop` cuts it off.
    """

    def now(self) -> float: ...

    def wait(self) -> SoundEvent | None: ...

    def behind(self) -> bool: ...

    def play(self, sound: Spoken, rate: int) -> None: ...

    def stop(self) -> None: ...

    def close(self) -> None: ...
