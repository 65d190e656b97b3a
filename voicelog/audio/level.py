"""How loud the microphone is: for the meter, and for what is wrong with it."""

from __future__ import annotations

import math

import numpy as np

from voicelog.values import SAMPLE_RATE, Frames

CLIPPED_SAMPLES = 8
"""So many samples at full scale in one utterance are no accident."""

FAINT_DBFS = -50.0
"""Speech below this is more than 20 dB fainter than a headset gives it. Of 40 trial calls at -52 to -60 dBFS five
would have been accepted wrongly, of those twenty dB louder none: the noise stage takes what is so faint for noise."""

_FULL = 32_700
_HOP = SAMPLE_RATE // 50
_SILENT_DBFS = -96.0


def level_dbfs(frames: Frames) -> float:
    """The effective level in dB over full scale, -96 at the least."""
    power = float(np.mean(np.square(frames, dtype=np.float64))) / 32768.0**2 if len(frames) else 0.0
    return max(10 * math.log10(power), _SILENT_DBFS) if power else _SILENT_DBFS


def speech_dbfs(frames: Frames) -> float:
    """The level of the loud tenth of an utterance, 20 ms at a time."""
    hops = frames[: len(frames) // _HOP * _HOP].reshape(-1, _HOP)
    if not len(hops):
        return _SILENT_DBFS
    return float(np.percentile([level_dbfs(hop) for hop in hops], 90))


def is_clipped(frames: Frames) -> bool:
    return int(np.count_nonzero(np.abs(frames.astype(np.int32)) >= _FULL)) >= CLIPPED_SAMPLES


def is_faint(frames: Frames) -> bool:
    return speech_dbfs(frames) < FAINT_DBFS
