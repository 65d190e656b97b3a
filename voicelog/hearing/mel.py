"""The picture of a sound that the second listener takes in: its power in 80 bands, on the mel scale of Slaney's
Auditory Toolbox (1998), every 10 ms, as a logarithm between bounds."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from voicelog.values import SAMPLE_RATE, Frames

BANDS = 80
STEP = SAMPLE_RATE // 100
_WINDOW = SAMPLE_RATE // 40
_HIGHEST_HZ = SAMPLE_RATE / 2

_LINEAR_BELOW_HZ = 1000.0
_HZ_A_MEL = 200 / 3
_GROWTH = np.log(6.4) / 27
"""A mel above the linear part, in nats of its frequency."""

_DEEPEST = 8.0
"""Tens of decibels below the loudest, less is not told apart."""

Table = npt.NDArray[np.float32]


def log_mel(frames: Frames) -> Table:
    """Shape (`BANDS`, steps), from sound of shape (samples,), int16, 16 kHz mono, more than 200 samples of it."""
    padded = np.pad(frames / 32768, _WINDOW // 2, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::STEP][: len(frames) // STEP]
    power = np.square(np.abs(np.fft.rfft(windows * np.hanning(_WINDOW + 1)[:-1])))
    logs = np.log10(np.maximum(power @ _filters().T, 1e-10))
    picture: Table = ((np.maximum(logs, logs.max() - _DEEPEST) + 4) / 4).T.astype(np.float32)
    return picture


@cache
def _filters() -> npt.NDArray[np.float64]:
    """Triangles between the middles of their neighbours, each of one area; shape (bands, frequencies)."""
    linear = _LINEAR_BELOW_HZ / _HZ_A_MEL
    mels = np.linspace(0, linear + np.log(_HIGHEST_HZ / _LINEAR_BELOW_HZ) / _GROWTH, BANDS + 2)
    edges = np.where(mels < linear, mels * _HZ_A_MEL, _LINEAR_BELOW_HZ * np.exp(_GROWTH * (mels - linear)))
    low, middle, high = edges[:-2, None], edges[1:-1, None], edges[2:, None]
    hertz = np.fft.rfftfreq(_WINDOW, 1 / SAMPLE_RATE)
    triangles = np.maximum(0, np.minimum((hertz - low) / (middle - low), (high - hertz) / (high - middle)))
    filters: npt.NDArray[np.float64] = triangles * 2 / (high - low)
    return filters
