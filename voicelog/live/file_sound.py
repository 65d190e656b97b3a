"""A microphone and a speaker made of recorded sound, with a clock of their own: as fast as the machine goes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator

import numpy as np
import soxr

from voicelog.audio import Spoken
from voicelog.audio.files import to_int16
from voicelog.live.sound import BLOCK_S, Began, Block, Ended, Over, SoundEvent
from voicelog.values import SAMPLE_RATE, Frames

BLOCK = round(BLOCK_S * SAMPLE_RATE)
TRAILING_S = 2.0
"""Silence after the last sound, so that the last utterance closes and its reply is heard out."""


class FileSound:
    """Plays `pieces` into the microphone, each shape (samples,), int16, 16 kHz.

    With `patience_s` the next piece waits, in silence, until a reply to the last
    was heard out, or until so many seconds passed without one: a handler who
    listens. `leak` is the gain with which replies come back into the microphone.
    `replies` holds when each reply began and its sound at 16 kHz, of the last `kept` alone where that is given.
    """

    def __init__(
        self, pieces: Iterable[Frames], patience_s: float = 0.0, leak: float = 0.0, kept: int | None = None
    ) -> None:
        self.replies: deque[tuple[float, Frames]] = deque(maxlen=kept)
        self._patience = round(patience_s * SAMPLE_RATE)
        self._leak = leak
        self._samples = 0
        self._playing: tuple[int, Frames] | None = None
        self._replied = True
        self._events: deque[SoundEvent] = deque()
        self._blocks = self._run(iter(pieces))

    def now(self) -> float:
        return self._samples / SAMPLE_RATE

    def behind(self) -> bool:
        return bool(self._events)

    def wait(self) -> SoundEvent | None:
        if self._events:
            return self._events.popleft()
        block = next(self._blocks, None)
        if block is None:
            return Over(self.now())
        block = self._with_leak(block)
        self._samples += BLOCK
        if self._playing and self._samples >= self._playing[0] + len(self._playing[1]):
            self._end()
        return Block(block, self.now())

    def play(self, sound: Spoken, rate: int) -> None:
        at_rate = sound if rate == SAMPLE_RATE else to_int16(soxr.resample(sound / 32768, rate, SAMPLE_RATE))
        self.replies.append((self.now(), at_rate))
        self._playing = (self._samples, at_rate)
        self._events.append(Began(self.now()))

    def stop(self) -> None:
        if self._playing:
            self._end()

    def close(self) -> None:
        pass

    def _end(self) -> None:
        self._playing = None
        self._replied = True
        self._events.append(Ended(self.now()))

    def _run(self, pieces: Iterator[Frames]) -> Iterator[Frames]:
        quiet = np.zeros(BLOCK, np.int16)
        for piece in pieces:
            self._replied = False
            whole = np.concatenate([piece, quiet[: -len(piece) % BLOCK]])
            yield from whole.reshape(-1, BLOCK)
            until = self._samples + self._patience
            while self._patience and (self._playing or (not self._replied and self._samples < until)):
                yield quiet
        for _ in range(round(TRAILING_S / BLOCK_S)):
            yield quiet
        while self._playing:
            yield quiet

    def _with_leak(self, block: Frames) -> Frames:
        if not self._playing or not self._leak:
            return block
        start, sound = self._playing
        part = sound[self._samples - start : self._samples - start + BLOCK]
        echo = np.pad(part, (0, BLOCK - len(part))).astype(np.float64) * self._leak
        return np.clip(block + echo, -32768, 32767).astype(np.int16)
