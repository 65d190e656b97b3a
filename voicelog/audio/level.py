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

DROWNED_DB = 13.0
"""The loud tenth of an utterance over the quiet one, below which the voice is some 7 dB over a steady noise: in trial
calls with pink noise, talk and fans it was less than 10.6 to 13.1 dB at 5 dB, more than 13.4 at 10 dB, in 19 of 20."""

_FULL = 32_700
_HOP = SAMPLE_RATE // 50
_SILENT_DBFS = -96.0


def level_dbfs(frames: Frames) -> float:
    """The effective level in dB over full scale, -96 at the least."""
    power = float(np.mean(np.square(frames, dtype=np.float64))) / 32768.0**2 if len(frames) else 0.0
    return max(10 * math.log10(power), _SILENT_DBFS) if power else _SILENT_DBFS


def speech_dbfs(frames: Frames) -> float:
    """The level of the loud tenth of an utterance, 20 ms at a time."""
    return _tenths_dbfs(frames)[1]


def is_drowned(frames: Frames) -> bool:
    """Whether a steady noise is nearly as loud as the voice in an utterance, so that certainty means little."""
    quiet, loud = _tenths_dbfs(frames)
    return loud < quiet + DROWNED_DB


def is_clipped(frames: Frames) -> bool:
    return int(np.count_nonzero(np.abs(frames.astype(np.int32)) >= _FULL)) >= CLIPPED_SAMPLES


def is_faint(frames: Frames) -> bool:
    return speech_dbfs(frames) < FAINT_DBFS


def _tenths_dbfs(frames: Frames) -> tuple[float, float]:
    """Below the one level lies a tenth of an utterance, 20 ms at a time, above the other another."""
    hops = frames[: len(frames) // _HOP * _HOP].reshape(-1, _HOP)
    if not len(hops):
        return _SILENT_DBFS, _SILENT_DBFS
    quiet, loud = np.percentile([level_dbfs(hop) for hop in hops], [10, 90])
    return float(quiet), float(loud)
