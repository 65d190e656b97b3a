"""How far a voice stands out of the noise around it."""

from __future__ import annotations

import numpy as np

from voicelog.values import SAMPLE_RATE, Frames

DROWNED_DB = 13.0
"""Below this the voice is some 7 dB over a steady noise. Of 55 calls of fitted voices at 6 to 8 dB that lay below and
were heard fairly surely (0.905 to 0.99) 3 were wrong, of 39 above none."""

_HOP = SAMPLE_RATE // 50


def is_drowned(frames: Frames) -> bool:
    """Whether a steady noise is nearly as loud as the voice in an utterance, so that certainty means little."""
    return over_noise_db(frames) < DROWNED_DB


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
