"""How loud speech is while it lasts: the active speech level of ITU-T P.56, method B.

The form here: the whole recording at once; envelope by two exponential averages of
0.03 s; hangover 0.2 s; margin 15.9 dB; thresholds a factor of two apart, between
which the level is interpolated linearly in dB where P.56 searches by halving.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from voicelog.bench.extra import scipy_part
from voicelog.values import SAMPLE_RATE

Samples = npt.NDArray[np.float64]
"""Mono sound, shape (samples,), full scale at 1, 16 kHz."""

_AVERAGE_S = 0.03
_HANGOVER_S = 0.2
_MARGIN_DB = 15.9
_THRESHOLDS = 2.0 ** np.arange(-15, 0)


def rms_db(sound: Samples) -> float:
    """Level over all samples, in dB over full scale; -inf for silence."""
    power = float(np.mean(np.square(sound))) if len(sound) else 0.0
    return 10 * math.log10(power) if power > 0 else -math.inf


def active_level(sound: Samples) -> tuple[float, float]:
    """Active speech level in dB over full scale, and the share of the time that is active (0 to 1).

    Silence, and sound below the least threshold, is (-inf, 0).
    """
    signal, ndimage = scipy_part("signal"), scipy_part("ndimage")
    keep = math.exp(-1 / (SAMPLE_RATE * _AVERAGE_S))
    envelope = np.abs(sound)
    for _ in range(2):
        envelope = signal.lfilter([1 - keep], [1, -keep], envelope)
    hangover = round(_HANGOVER_S * SAMPLE_RATE)
    # The greatest of this sample and the hangover before it: above the threshold then is active now.
    held = ndimage.maximum_filter1d(envelope, hangover + 1, origin=hangover // 2, mode="constant")
    energy = float(np.square(sound).sum())
    levels = []
    for threshold in _THRESHOLDS:
        active = int(np.count_nonzero(held >= threshold))
        if active == 0 or energy == 0:
            break
        level = 10 * math.log10(energy / active)
        levels.append((level, level - 20 * math.log10(threshold), active / len(sound)))
    for (level, over, share), (next_level, next_over, next_share) in pairwise(levels):
        if over >= _MARGIN_DB >= next_over:
            part = (over - _MARGIN_DB) / (over - next_over)
            return level + part * (next_level - level), share + part * (next_share - share)
    return (levels[-1][0], levels[-1][2]) if levels else (-math.inf, 0.0)
