"""Recordings through the whole path: files to utterances, each told as a line."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from voicelog.audio import NoiseStage, cut, read_sound
from voicelog.audio.ahead import clean_clips
from voicelog.sitting import Sitting, Taken, record_of
from voicelog.values import SAMPLE_RATE, Frames

MOST_SILENCE = round(0.4 * SAMPLE_RATE)
"""Sound left standing before and after the speech of a file that is one utterance."""


@dataclass(frozen=True, slots=True)
class Line:
    """One utterance of a recording, and what came of it. `start_s`: where it began in its file."""

    file: str
    start_s: float
    taken: Taken

    def as_json(self) -> str:
        taken, outcome = self.taken, self.taken.outcome
        return json.dumps(
            {
                "file": self.file,
                "heard": taken.heard,
                "certainty": round(float(taken.certainty), 4),
                "verdict": outcome.verdict.value,
                "reason": outcome.reason,
                "record": record_of(outcome.record),
                "reply": taken.reply,
                "audio_s": round(taken.audio_s, 3),
                "compute_s": round(taken.compute_s, 3),
            },
            ensure_ascii=False,
        )


def session_lines(
    sitting: Sitting, files: list[Path], stage: NoiseStage, *, been: Callable[[float], object] = lambda seconds: None
) -> Iterator[Line]:
    """The files as one session in order; `been` is told of every piece of sound, in seconds, that was read.

    Raises VoicelogError at a file that is no sound.
    """
    for file in files:
        for start_s, taken in hear_stream(sitting, _told(read_sound(file), been), stage):
            yield Line(str(file), start_s, taken)


def _told(blocks: Iterable[Frames], been: Callable[[float], object]) -> Iterator[Frames]:
    for block in blocks:
        yield block
        been(len(block) / SAMPLE_RATE)


def hear_stream(sitting: Sitting, blocks: Iterable[Frames], stage: NoiseStage) -> Iterator[tuple[float, Taken]]:
    """A stream cut into utterances: when each began, in seconds from the start, and what came of it."""
    stage.reset()
    for clip, quiet, cleaned_s in clean_clips(cut(blocks), stage):
        began = time.perf_counter()
        taken = sitting.hear(quiet, raw=_if_cleaned(clip.frames, stage), cut_short=clip.cut_short)
        yield clip.start_s, replace(taken, compute_s=cleaned_s + time.perf_counter() - began)


def single_line(sitting: Sitting, file: Path, stage: NoiseStage) -> tuple[Line, bool]:
    """The file as one utterance, and whether there was any speech in it.

    Raises VoicelogError where the file is no sound.
    """
    taken, speech = hear_alone(sitting, np.concatenate([np.zeros(0, np.int16), *read_sound(file)]), stage)
    return Line(str(file), 0.0, taken), speech


def hear_alone(sitting: Sitting, whole: Frames, stage: NoiseStage) -> tuple[Taken, bool]:
    """Sound as one utterance, shape (samples,), int16, 16 kHz mono, and whether there was any speech in it."""
    began = time.perf_counter()
    frames, raw, speech = alone(whole, stage)
    taken = sitting.hear(frames, raw=raw)
    taken = replace(taken, audio_s=len(whole) / SAMPLE_RATE, compute_s=time.perf_counter() - began)
    return taken, speech


def alone(whole: Frames, stage: NoiseStage) -> tuple[Frames, Frames | None, bool]:
    """One utterance behind noise suppression, as it came (None without suppression), and whether it has any speech."""
    stage.reset()
    frames, raw = np.concatenate([stage.feed(whole), stage.flush()]), whole
    clips = list(cut([frames]))
    if clips:
        # Long silence before or after a call only dilutes what is measured of it.
        first = max(0, round(clips[0].start_s * SAMPLE_RATE) - MOST_SILENCE)
        last = round(clips[-1].end_s * SAMPLE_RATE) + MOST_SILENCE
        frames, raw = frames[first:last], raw[first:last]
    return frames, _if_cleaned(raw, stage), bool(clips)


def _if_cleaned(raw: Frames, stage: NoiseStage) -> Frames | None:
    """The sound as it came, where the stage changes it: without a difference a second listener hears nothing new."""
    return raw if stage.name != "none" else None
