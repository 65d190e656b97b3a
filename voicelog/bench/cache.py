"""Rendered sound on the disk, so that it is made once."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from platformdirs import user_cache_path

from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

RENDERING = 1
"""Counts up whenever the same name and seed come to mean another sound."""


def default_cache() -> Path:
    return user_cache_path("voicelog", appauthor=False) / "bench"


@dataclass(frozen=True, slots=True)
class Cache:
    """A folder of FLAC files, named by the hash of what they hold. Several processes may use it at once."""

    folder: Path

    def sound(self, what: tuple[object, ...], make: Callable[[], Frames]) -> Frames:
        """The sound that `what` names, made by `make` where it is not there yet.

        Raises VoicelogError where the folder cannot be written.
        """
        import soundfile

        name = hashlib.sha256(json.dumps([RENDERING, *what]).encode()).hexdigest()[:32]
        path = self.folder / name[:2] / f"{name}.flac"
        if path.is_file():
            try:
                kept: Frames = soundfile.read(path, dtype="int16")[0]
                return kept
            except soundfile.LibsndfileError:
                pass  # Broken from outside; it is made again.
        frames = make()
        self._write(path, frames)
        return frames

    def check(self) -> None:
        """Raises VoicelogError at once where nothing can be kept, not after an hour of rendering."""
        self._write(self.folder / "check.flac", np.zeros(1, np.int16))

    def _write(self, path: Path, frames: Frames) -> None:
        import soundfile

        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, half = tempfile.mkstemp(dir=path.parent, suffix=".half")
            try:
                with os.fdopen(handle, "wb") as file:
                    soundfile.write(file, frames, SAMPLE_RATE, subtype="PCM_16", format="FLAC")
                Path(half).replace(path)
            except BaseException:
                Path(half).unlink(missing_ok=True)
                raise
        except (OSError, soundfile.LibsndfileError) as wrong:
            why = wrong.strerror if isinstance(wrong, OSError) else str(wrong)
            raise VoicelogError(f"{self.folder}: {why}; name a folder that can be written with --cache") from wrong
