"""Noise suppression of an utterance while it is still going on, so that little is left to do when it ends."""

from __future__ import annotations

import numpy as np

from voicelog.audio import NoiseStage
from voicelog.values import SAMPLE_RATE, Frames

_PUSH = round(0.02 * SAMPLE_RATE)
"""So many samples of the utterance's end, over and over, push what was fed out of the stage."""

_MOST_PUSHED = 2 * SAMPLE_RATE
"""For a stage that still warms up."""

_WARM_UP = round(2.1 * SAMPLE_RATE)
"""A stage judges the noise by its first seconds."""


class GrowingCleaner:
    """Cleans one utterance after another with one running stage, each as it grows."""

    def __init__(self, stage: NoiseStage) -> None:
        self._stage = stage
        stage.reset()
        self._warm = False
        self._start_s: float | None = None
        self._fed = 0
        self._belongs: list[tuple[int, bool]] = []
        """What went in since the utterance began, and what was in the stage then: samples, and whether its own."""
        self._out: list[Frames] = []
        self._behind = 0
        """Samples that went in and have not come out yet."""

    @property
    def changes_sound(self) -> bool:
        return self._stage.name != "none"

    def grow(self, start_s: float, frames: Frames) -> None:
        """The utterance that began at `start_s`, all of it so far, shape (samples,), int16, 16 kHz."""
        if start_s != self._start_s:
            self._start_s, self._fed = start_s, 0
            self._belongs, self._out = [(self._behind, False)], []
            if not self._warm:
                self._feed(np.resize(frames, _WARM_UP), own=False)
                self._warm = True
        if len(frames) > self._fed:
            self._feed(frames[self._fed :], own=True)
            self._fed = len(frames)

    def whole(self, start_s: float, frames: Frames) -> Frames:
        """The utterance without noise: same length, in step with the input. It may still grow."""
        if not len(frames):
            return frames
        self.grow(start_s, frames)
        # The sound of the place, backwards so that it begins as the utterance ends: silence would make the stage
        # take the noise of the place for something new.
        push = frames[-_PUSH:][::-1]
        pushed = 0
        while self._behind > pushed and pushed < _MOST_PUSHED:
            self._feed(push, own=False)
            pushed += len(push)
        out = np.concatenate(self._out)
        own = np.concatenate([np.full(count, mine) for count, mine in self._belongs])[: len(out)]
        quiet: Frames = out[own][: len(frames)]
        return quiet

    def _feed(self, frames: Frames, *, own: bool) -> None:
        quiet = self._stage.feed(frames)
        self._belongs.append((len(frames), own))
        self._out.append(quiet)
        self._behind += len(frames) - len(quiet)
