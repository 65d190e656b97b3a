"""Keeping the sound of an utterance beside the ledger, whole or not at all."""

from __future__ import annotations

import contextlib
import io
import os
import uuid
from pathlib import Path

from voicelog.values import SAMPLE_RATE, Frames, VoicelogError


def keep_sound(path: Path, frames: Frames) -> None:
    """Write frames, shape (samples,), int16, 16 kHz mono, as FLAC to `path`; its folder is made if need be.

    When this returns, the file survives a pulled plug. If it raises, nothing is
    left at `path` that was not there before.

    Raises VoicelogError when the folder or disk does not take the file.
    """
    import soundfile

    # Encoded in memory first: libsndfile's own writing does not report a full disk reliably.
    flac = io.BytesIO()
    soundfile.write(flac, frames, SAMPLE_RATE, format="FLAC", subtype="PCM_16")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _write_atomically(path, flac.getvalue())
    except OSError as problem:
        raise VoicelogError(
            f"the sound cannot be kept in {path.parent} ({problem.strerror or problem}): "
            "make room or make the folder writable, or turn keeping sound off"
        ) from problem


def _write_atomically(path: Path, content: bytes) -> None:
    part = path.with_name(f".{path.name}.{uuid.uuid4().hex}.part")
    try:
        with part.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    # Windows does not open folders, and some network file systems do not sync them.
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
