"""Telling speech from the rest, 20 ms at a time.

Two must agree: the voice activity detector of WebRTC (it knows speech by its
spectrum, but takes a loud fan for it) and a gate that follows the noise floor
(it knows what stands out, but not what it is).
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from voicelog.values import SAMPLE_RATE, Frames

FRAME_LENGTH = 320
"""Samples in the frame that a `SpeechDetector` judges: 20 ms."""

FRAME_S = FRAME_LENGTH / SAMPLE_RATE

_SILENCE_DB = -70.0
"""The floor at the start and the lowest there is, in dB over full scale: suppressed noise lies below it."""
_OVER_FLOOR_DB = 6.0
_FLOOR_WINDOW = int(3.0 / FRAME_S)
_FLOOR_SHARE = 0.15  # In three seconds of talk this share is pauses.


class SpeechDetector:
    """Judges one stream frame by frame."""

    def __init__(self) -> None:
        from pocketsphinx import Vad

        # Stricter, it misses words from a quiet microphone; looser, it hears words in a fan.
        self._vad = Vad(mode=Vad.MEDIUM_STRICT, sample_rate=SAMPLE_RATE, frame_length=FRAME_S)
        # A stream that starts in the middle of a word must not take that word for the floor.
        self._levels: deque[float] = deque([_SILENCE_DB] * _FLOOR_WINDOW, maxlen=_FLOOR_WINDOW)

    def is_speech(self, frame: Frames) -> bool:
        """Whether this frame, shape (320,), int16, 16 kHz, is speech."""
        level = _level_db(frame)
        self._levels.append(max(level, _SILENCE_DB))
        floor = sorted(self._levels)[int(_FLOOR_SHARE * _FLOOR_WINDOW)]
        # Both are asked every time, for the detector learns from every frame.
        voiced = bool(self._vad.is_speech(frame.tobytes()))
        return voiced and level > floor + _OVER_FLOOR_DB


def _level_db(frame: Frames) -> float:
    power = float(np.mean(np.square(frame, dtype=np.float64))) / 32768.0**2
    return 10.0 * math.log10(max(power, 1e-12))
