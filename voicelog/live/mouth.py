"""Replies as sound, with what is said often kept on the disk: a reply waits for no synthesis."""

from __future__ import annotations

import hashlib
import re
import uuid
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np

from voicelog.audio import Spoken, Voice, amplify, earcon
from voicelog.session import Reply, wording

GAP_S = 0.12
"""Between two parts of a reply, where a voice would pause for the comma."""

_PART = re.compile(r"[^,.:;?]+[,.:;?]*")


class Mouth:
    """Turns replies into one sound at `rate` Hz.

    A reply is put together of its parts, cut at the commas ("four two", "male",
    "foam yes"): there are few of them, they come again and again, and each is
    synthesized once and kept in `folder`. None keeps nothing on the disk.
    """

    def __init__(self, voice: Voice, folder: Path | None, speed: float = 1.0, volume_db: float = 0.0) -> None:
        self._voice = voice
        self._volume_db = volume_db
        self._folder = None
        self._parts: dict[str, Spoken] = {}
        self.rate = voice.rate
        if folder is not None:
            made_with = hashlib.sha256(f"{voice.name}|{voice.rate}|{speed}".encode()).hexdigest()[:16]
            self._folder = folder / made_with

    def sound_of(self, replies: Iterable[Reply]) -> Spoken:
        """Earcons and words in order, shape (samples,), int16."""
        pieces: list[Spoken] = []
        gap = np.zeros(round(GAP_S * self.rate), np.int16)
        for reply in replies:
            if reply.earcon:
                pieces.append(earcon(reply.earcon, self.rate))
            for part in parts_of(reply.text):
                pieces += [self._part(part), gap]
        return amplify(np.concatenate([gap[:0], *pieces]), self._volume_db)

    def warm_up(self, roster: Sequence[int]) -> None:
        """Have ready what will be said: the bands, the slots, how many are left."""
        words = [*_COMMON, *(wording.left(count) for count in range(min(len(roster), _MOST_COUNTED) + 1))]
        for text in [*words, *(wording.band(number) for number in roster[:_MOST_COUNTED])]:
            for part in parts_of(text):
                self._part(part)

    def _part(self, text: str) -> Spoken:
        if text not in self._parts:
            self._parts[text] = self._kept(text)
        return self._parts[text]

    def _kept(self, text: str) -> Spoken:
        if self._folder is None:
            return _trimmed(self._voice.say(text))
        path = self._folder / f"{hashlib.sha256(text.encode()).hexdigest()[:24]}.pcm"
        with suppress(OSError):
            return np.frombuffer(path.read_bytes(), "<i2").astype(np.int16)
        sound = _trimmed(self._voice.say(text))
        # A full disk costs the cache, never the reply.
        with suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            part = path.with_name(f".{uuid.uuid4().hex}.part")
            try:
                part.write_bytes(sound.astype("<i2").tobytes())
                part.replace(path)
            finally:
                part.unlink(missing_ok=True)
        return sound


def parts_of(text: str) -> list[str]:
    """The parts of a reply: "four two, male?" gives "four two" and "male?"."""
    parts = (part.strip() for part in _PART.findall(text))
    return [part.rstrip(",.:; ") for part in parts if part.rstrip(",.:; ")]


_MOST_COUNTED = 60

_COMMON = (
    *(f"{sex}" for sex in ("male", "female", "unsure")),
    *(wording.slot("foam", amount) for amount in ("yes", "no", "trace")),
    *(wording.slot("gland", answer) for answer in ("yes", "no")),
    *(wording.slot("breast", look) for look in ("rust", "speckled", "mixed")),
    *("fine", "injured", "sick", "dead", "keep", "grow out", "sell", "cull"),
    *(wording.SAY_AGAIN, wording.YES_OR_NO, wording.NOT_WRITTEN, wording.WHICH_BAND, wording.PAUSED),
)


def _trimmed(sound: Spoken) -> Spoken:
    """Without the silence that a voice puts before and after."""
    loud = np.flatnonzero(np.abs(sound.astype(np.int32)) > _SILENT)
    return sound[loud[0] : loud[-1] + 1] if len(loud) else sound[:0]


_SILENT = 100
