"""Sound made louder or softer by a fixed amount."""

from __future__ import annotations

import numpy as np

from voicelog.audio.files import to_int16
from voicelog.values import Frames


def amplify(frames: Frames, gain_db: float) -> Frames:
    """The sound `gain_db` decibels louder, same shape; what goes over full scale is clipped, never wrapped."""
    if gain_db == 0:
        return frames
    return to_int16(frames.astype(np.float64) / 32768 * 10 ** (gain_db / 20))
