"""Noise suppression of clips that were cut from one stream.

Silence between the clips is most of a session; leaving it out halves the work.
The stage keeps running from clip to clip, so that it knows the noise of the place.
"""

from __future__ import annotations

import numpy as np

from voicelog.audio.quiet import NoiseStage
from voicelog.values import SAMPLE_RATE, Frames

_PUSH = np.zeros(round(0.2 * SAMPLE_RATE), np.int16)
"""Silence behind each clip that pushes its end out of the stage."""

_WARM_UP = round(2.1 * SAMPLE_RATE)


class ClipCleaner:
    """Takes the noise out of one clip after another with one running stage."""

    def __init__(self, stage: NoiseStage) -> None:
        self._stage = stage
        self._began = False
        self._behind = 0
        """Samples that went in and have not come out yet."""

    @property
    def changes_sound(self) -> bool:
        return self._stage.name != "none"

    def clean(self, frames: Frames) -> Frames:
        """The clip without noise: same length, in step with the input."""
        if not len(frames):
            return frames
        lead = _PUSH[:0]
        if not self._began:
            # A stage judges the noise by the first seconds; the clip, over and over, must serve.
            lead = np.resize(frames, _WARM_UP)
            self._began = True
        quiet = self._stage.feed(np.concatenate([lead, frames, _PUSH]))
        skip = self._behind + len(lead)
        self._behind += len(lead) + len(frames) + len(_PUSH) - len(quiet)
        return quiet[skip : skip + len(frames)]
