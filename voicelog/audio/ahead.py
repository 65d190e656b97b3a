"""Noise suppression of recordings, a few clips ahead of whoever hears them, in a process of its own.

Suppression takes as long as recognition, which holds Python's lock meanwhile: side by side on two cores a recording
is heard in little more than half the time. What comes out is the same to the last sample.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context

from voicelog.aside import end_with_parent
from voicelog.audio.clean import ClipCleaner
from voicelog.audio.endpoint import Clip
from voicelog.audio.quiet import NoiseStage, make_stage
from voicelog.values import Frames, VoicelogError

LOOK_AHEAD = 3
"""Clips cleaned or waiting at a time, so that memory stays flat."""

Cleaned = tuple[Frames, float]
"""A clip without noise, and the seconds that took."""


def clean_clips(clips: Iterable[Clip], stage: NoiseStage) -> Iterator[tuple[Clip, Frames, float]]:
    """Each clip of one stream, its sound without noise (same length, in step), and the seconds that took.

    `stage` is one of `make_stage` without a limit, fresh. On a machine of one core, and with the stage "none",
    nothing is done ahead. Raises VoicelogError where the process ends by itself.
    """
    if stage.name == "none" or (os.cpu_count() or 1) == 1:
        cleaner = ClipCleaner(stage)
        for clip in clips:
            yield clip, *_timed(cleaner, clip.frames)
        return
    ahead: deque[tuple[Clip, Future[Cleaned]]] = deque()
    with ProcessPoolExecutor(1, get_context("spawn"), _begin, (stage.name,)) as pool:
        try:
            for clip in clips:
                ahead.append((clip, pool.submit(_clean, clip.frames)))
                if len(ahead) > LOOK_AHEAD:
                    yield _next(ahead)
            while ahead:
                yield _next(ahead)
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _next(ahead: deque[tuple[Clip, Future[Cleaned]]]) -> tuple[Clip, Frames, float]:
    clip, cleaned = ahead.popleft()
    try:
        return clip, *cleaned.result()
    except BrokenProcessPool as wrong:
        raise VoicelogError(
            'the process that takes the noise out has ended; try again, or set noise = "none" in the settings'
        ) from wrong


_cleaner: ClipCleaner | None = None


def _begin(stage: str) -> None:
    global _cleaner  # noqa: PLW0603  (a worker process has no other place to keep it)
    end_with_parent()
    _cleaner = ClipCleaner(make_stage(stage))


def _clean(frames: Frames) -> Cleaned:
    assert _cleaner is not None
    return _timed(_cleaner, frames)


def _timed(cleaner: ClipCleaner, frames: Frames) -> Cleaned:
    began = time.perf_counter()
    quiet = cleaner.clean(frames)
    return quiet, time.perf_counter() - began
