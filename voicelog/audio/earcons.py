"""Three short tones, one for each verdict, told apart by their shape as much as by their pitch:
accept rises, ask steps up and hangs, reject is one low buzz."""

from __future__ import annotations

import functools
import itertools

import numpy as np
import numpy.typing as npt

from voicelog.audio.files import to_int16
from voicelog.audio.voice.spoken import Spoken
from voicelog.values import Verdict

_PEAK = 10 ** (-12 / 20)  # -12 dBFS: below the voice, clear over a fan.
_EDGE_S = 0.012  # A shorter edge clicks.

_Curve = npt.NDArray[np.float64]


@functools.cache
def earcon(verdict: Verdict, rate: int) -> Spoken:
    """The tone of a verdict at `rate` Hz, shape (samples,), int16, peak -12 dBFS, not to be written to."""
    match verdict:
        case Verdict.ACCEPT:
            sound = _glide(523.25, 783.99, 0.16, rate)  # C5 up to G5
        case Verdict.ASK:
            gap = np.zeros(int(0.05 * rate))
            sound = np.concatenate([_tone(587.33, 0.11, rate), gap, _tone(880.0, 0.22, rate)])  # D5, A5
        case Verdict.REJECT:
            sound = _tone(130.81, 0.24, rate, overtones=(1.0, 0.0, 0.7, 0.0, 0.5, 0.0, 0.35))  # C3, odd harmonics
    frames = to_int16(sound * (_PEAK / np.abs(sound).max()))
    frames.flags.writeable = False
    return frames


def _tone(pitch_hz: float, length_s: float, rate: int, overtones: tuple[float, ...] = (1.0, 0.15)) -> _Curve:
    time = np.arange(int(length_s * rate)) / rate
    parts = (
        strength * np.sin(2 * np.pi * pitch_hz * number * time)
        for number, strength in zip(itertools.count(1), overtones)
    )
    return _with_soft_edges(np.sum(list(parts), axis=0), rate)


def _glide(from_hz: float, to_hz: float, length_s: float, rate: int) -> _Curve:
    pitch = np.linspace(from_hz, to_hz, int(length_s * rate))
    return _with_soft_edges(np.sin(2 * np.pi * np.cumsum(pitch) / rate), rate)


def _with_soft_edges(sound: _Curve, rate: int) -> _Curve:
    edge = 0.5 - 0.5 * np.cos(np.pi * np.linspace(0, 1, int(_EDGE_S * rate)))
    envelope = np.ones(len(sound))
    envelope[: len(edge)] = edge
    envelope[len(sound) - len(edge) :] = edge[::-1]
    return sound * envelope
