"""How far a voice stands out of the noise around it."""

from __future__ import annotations

import numpy as np

from voicelog.values import SAMPLE_RATE, Frames

_HOP = SAMPLE_RATE // 50


def over_noise_db(frames: Frames) -> float:
    """The loud tenth of a sound over its quiet tenth, 20 ms at a time, in dB: what a steady noise lies below the voice,
    and some 7 dB. 0 for a sound that is too short for either."""
    hops = frames[: len(frames) // _HOP * _HOP].reshape(-1, _HOP)
    if not len(hops):
        return 0.0
    # One more, so that digital silence has a level.
    levels = 10 * np.log10(np.mean(np.square(hops, dtype=np.float64), axis=1) + 1.0)
    quiet, loud = np.percentile(levels, [10, 90])
    return float(loud - quiet)
