"""What the tests of live sessions share: a recogniser that hears what it is told, speech that is only tones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from voicelog.audio import make_stage
from voicelog.audio.voice import EspeakVoice
from voicelog.config import Config
from voicelog.grammar import Network
from voicelog.ledger import Ledger
from voicelog.live import Conversation, FileSound, LineScreen, LiveSettings, Mouth
from voicelog.session import State, start
from voicelog.sitting import Sitting
from voicelog.values import SAMPLE_RATE, Check, Frames, Heard, Word, unchecked
from voicelog.wiring import open_grammars

ROSTER = tuple(range(1, 21))
VOICE = EspeakVoice()


class ToldRecogniser:
    """Hears one of `texts` after the other, whatever the sound; the last again and again.

    Of "one thing | another" it is not sure which. Hearing is made of two steps, after each of which it asks
    whether to go on.
    """

    name = "told"

    def __init__(self, texts: Iterable[str]) -> None:
        self._texts = list(texts)
        self.certainty = 1.0
        self.lengths: list[float] = []
        self.begun = 0

    def listen_for(self, network: Network) -> None:
        pass

    def feed(self, frames: Frames) -> None:
        raise AssertionError("a live session hears whole utterances")

    def finish(self) -> Heard:
        raise AssertionError("a live session hears whole utterances")

    def reset(self) -> None:
        raise AssertionError("a live session hears whole utterances")

    def hear(self, views: Sequence[Frames], check: Check = unchecked) -> Heard:
        self.begun += 1
        for _ in range(2):
            check()
        self.lengths.append(len(views[0]) / SAMPLE_RATE)
        text = self._texts.pop(0) if len(self._texts) > 1 else self._texts[0]
        text, _, other = text.partition(" | ")
        words = tuple(Word(word, 0, 0, 1.0) for word in text.split())
        return Heard(words, 0.8 if other else self.certainty, self.name, runner_up=tuple(other.split()) or None)


def quiet(length_s: float) -> Frames:
    return np.zeros(round(length_s * SAMPLE_RATE), np.int16)


def speech(length_s: float = 1.2, gain: float = 1.0) -> Frames:
    """Somebody speaking, exactly so long: the cutter must take it for speech."""
    import soxr

    sound = soxr.resample(VOICE.say("male or a female " * 8).astype(np.float64), VOICE.rate, SAMPLE_RATE)
    return np.clip(sound[: round(length_s * SAMPLE_RATE)] * gain * 0.5, -32768, 32767).astype(np.int16)


class Told:
    """A session over made-up sound; `lines` is what the screen told."""

    def __init__(
        self,
        texts: Iterable[str],
        sound: FileSound,
        ledger: Ledger | None = None,
        settings: LiveSettings | None = None,
        state: State | None = None,
        cache: Path | None = None,
    ) -> None:
        self.lines: list[str] = []
        self.timings: list[float] = []
        self.sound = sound
        self.recogniser = ToldRecogniser(texts)
        self.sitting = Sitting(
            open_grammars(Config()), state or start(ROSTER), recogniser=self.recogniser, ledger=ledger
        )
        self.conversation = Conversation(
            self.sitting,
            make_stage("none"),
            Mouth(VOICE, cache),
            sound,
            LineScreen(self.lines.append),
            settings,
            lambda taken, timing: self.timings.append(timing.silence_s),
        )

    def run(self, opening: str = "") -> Told:
        self.conversation.run(opening)
        return self

    @property
    def said(self) -> list[str]:
        return [line for line in self.lines if "heard:" not in line]
