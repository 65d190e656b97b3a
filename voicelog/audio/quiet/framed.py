"""A stream out of an engine that denoises frames of one size at one rate."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

import numpy as np

from voicelog.audio.files import Floats, to_int16
from voicelog.values import SAMPLE_RATE, Frames

_NOTHING = np.zeros(0, np.float32)


class Denoiser(Protocol):
    """An engine with the memory of one stream.

    `rate` in Hz; `frame_length` in samples; `delay` is how many samples the
    output lags behind the input; `warm_up_s` is for how long it must hear a
    stream before it tells speech from noise. `process` takes and returns shape
    (frame_length,), float32, full scale at 1.0.
    """

    rate: int
    frame_length: int
    delay: int
    warm_up_s: float

    def process(self, frame: Floats) -> Floats: ...


class FramedStage:
    """The `NoiseStage` of a `Denoiser`: converts the rate, cuts frames, takes the delay out.

    `make` gives a denoiser with an empty memory. It is called when the first
    sound of a stream comes, so that a stage that is never fed costs nothing.
    """

    def __init__(self, name: str, make: Callable[[], Denoiser]) -> None:
        self.name = name
        self._make = make
        self._run: _Run | None = None

    def feed(self, frames: Frames) -> Frames:
        if self._run is None:
            self._run = _Run(self._make())
        return self._run.feed(frames)

    def flush(self) -> Frames:
        run, self._run = self._run, None
        return run.flush() if run else np.zeros(0, np.int16)

    def reset(self) -> None:
        self._run = None


class _Run:
    """One stream from start to end."""

    def __init__(self, denoiser: Denoiser) -> None:
        self._denoiser = denoiser
        self._up = _resampler(SAMPLE_RATE, denoiser.rate)
        self._down = _resampler(denoiser.rate, SAMPLE_RATE)
        self._lead = round(denoiser.warm_up_s * SAMPLE_RATE)
        self._lead_to_drop = self._lead
        self._head: Frames | None = np.zeros(0, np.int16)
        self._waiting = _NOTHING
        self._delay_to_drop = denoiser.delay
        self._fed = 0
        self._given = 0

    def feed(self, frames: Frames) -> Frames:
        self._fed += len(frames)
        sound = self._warmed_up(frames, last=False).astype(np.float32) / 32768.0
        return self._give(self._denoise(self._up(sound, last=False)), last=False)

    def flush(self) -> Frames:
        sound = self._warmed_up(np.zeros(0, np.int16), last=True).astype(np.float32) / 32768.0
        rest = self._up(sound, last=True)
        behind = len(self._waiting) + len(rest) + self._denoiser.delay
        padding = self._denoiser.delay + -behind % self._denoiser.frame_length
        rest = np.concatenate([rest, np.zeros(padding, np.float32)])
        return self._give(self._denoise(rest), last=True)

    def _warmed_up(self, frames: Frames, last: bool) -> Frames:
        """The stream with its own beginning put in front of it, mirrored, to warm up on.

        Without it an utterance right at the start of a noisy stream loses its first word.
        """
        if self._head is None:
            return frames
        self._head = np.concatenate([self._head, frames])
        if len(self._head) <= self._lead and not last:
            return frames[:0]
        head, self._head = self._head, None
        return np.pad(head, (self._lead, 0), mode="reflect") if len(head) else head

    def _denoise(self, sound: Floats) -> Floats:
        """As many whole frames as there are, without the delay at the start of the stream."""
        waiting = np.concatenate([self._waiting, sound])
        length = self._denoiser.frame_length
        ready = len(waiting) // length * length
        self._waiting = waiting[ready:]
        if not ready:
            return _NOTHING
        frames = waiting[:ready].reshape(-1, length)
        quiet = np.concatenate([self._denoiser.process(frame) for frame in frames])
        dropped = min(self._delay_to_drop, len(quiet))
        self._delay_to_drop -= dropped
        return quiet[dropped:]

    def _give(self, quiet: Floats, last: bool) -> Frames:
        frames = to_int16(self._down(quiet, last=last))
        dropped = min(self._lead_to_drop, len(frames))
        self._lead_to_drop -= dropped
        # The last frame is padded, and rate conversion may round up: never give more than was fed.
        frames = frames[dropped:][: self._fed - self._given]
        self._given += len(frames)
        if last and self._given < self._fed:
            frames = np.pad(frames, (0, self._fed - self._given))
        return frames


def _resampler(rate: int, to_rate: int) -> Callable[..., Floats]:
    if rate == to_rate:
        return lambda sound, last: sound

    import soxr

    stream: Any = soxr.ResampleStream(rate, to_rate, 1, dtype="float32", quality="HQ")

    def convert(sound: Floats, last: bool) -> Floats:
        converted: Floats = stream.resample_chunk(sound, last=last)
        return converted

    return convert
