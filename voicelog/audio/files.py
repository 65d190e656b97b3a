"""Reading recorded sound: any file that libsndfile knows, streamed as 16 kHz mono int16.

Rate conversion is soxr's, whose filter is flat and keeps the delay out, so a time
in the stream is the same time in the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

Floats = npt.NDArray[np.float32]
"""Mono sound as floats, shape (samples,), full scale at 1.0."""

BLOCK_S = 0.5
"""Seconds of sound held at a time."""

_MP3_LENGTH_ERROR = 0.1  # Without an index an MP3's length is guessed from its bit rate.
_WAV_DATA_CHUNK = re.compile(r"^data : (\d+) \(should be (\d+)\)", re.MULTILINE)
_WAV_LENGTH_UNKNOWN = 0x7FFF0000  # Recorders that stream write a huge length and never correct it.


def read_sound(path: Path) -> Iterator[Frames]:
    """The sound of a file in blocks of about half a second, shape (samples,), int16, 16 kHz mono.

    Channels are averaged. The samples of all blocks together are as many as the
    file's length at 16 kHz, to within one.

    Raises VoicelogError at once for a path that is no sound file or an empty one,
    and while reading where the file turns out to be broken.
    """
    return _stream(path, _open(path))


def duration_s(path: Path) -> float:
    """Length of a sound file in seconds, by its header.

    Raises VoicelogError for a path that is no sound file or an empty one.
    """
    with _open(path) as sound:
        return float(sound.frames / sound.samplerate)


def to_int16(sound: npt.NDArray[np.floating[Any]]) -> Frames:
    """Floats with full scale at 1.0 as int16; what is louder than full scale is clipped, never wrapped."""
    frames: Frames = np.clip(np.rint(sound * 32768.0), -32768, 32767).astype(np.int16)
    return frames


def _open(path: Path) -> Any:
    import soundfile

    try:
        if path.is_dir():
            raise VoicelogError(f"{path} is a folder: give the sound files in it, as in {path / '*.flac'}")
        if not path.exists():
            raise VoicelogError(f"{path} is not there: check the name of the sound file")
        if path.stat().st_size == 0:
            raise VoicelogError(f"{path} is empty (0 bytes): copy or record it again")
        sound = soundfile.SoundFile(path)
    except OSError as problem:
        raise VoicelogError(f"{path} cannot be read: {problem.strerror or problem}") from problem
    except soundfile.LibsndfileError as problem:
        if not _readable(path):
            raise VoicelogError(f"{path} cannot be read: check who may read it") from problem
        raise VoicelogError(f"{path} is not a sound file, or a broken one: give WAV, FLAC, OGG or MP3") from problem
    if sound.frames == 0:
        sound.close()
        raise VoicelogError(f"{path} holds no sound (0 samples): copy or record it again")
    _check_wav_is_whole(path, sound)
    return sound


def _readable(path: Path) -> bool:
    try:
        with path.open("rb"):
            return True
    except OSError:
        return False


def _check_wav_is_whole(path: Path, sound: Any) -> None:
    """libsndfile reads a WAV that was cut off as if it ended there, and says so only in its log."""
    found = _WAV_DATA_CHUNK.search(sound.extra_info)
    if not found:
        return
    promised, there = (int(size) for size in found.groups())
    if there < promised < _WAV_LENGTH_UNKNOWN:
        sound.close()
        raise VoicelogError(
            f"{path} is cut off: {there} of {promised} bytes of sound are there; copy or record it again"
        )


def _stream(path: Path, sound: Any) -> Iterator[Frames]:
    import soxr

    with sound:
        rate: int = sound.samplerate
        resampler = None
        if rate != SAMPLE_RATE:
            resampler = soxr.ResampleStream(rate, SAMPLE_RATE, 1, dtype="float32", quality="HQ")
        for block in _mono_blocks(path, sound):
            frames = to_int16(resampler.resample_chunk(block) if resampler else block)
            if frames.size:
                yield frames
        if resampler:
            tail = to_int16(resampler.resample_chunk(np.zeros(0, np.float32), last=True))
            if tail.size:
                yield tail


def _mono_blocks(path: Path, sound: Any) -> Iterator[Floats]:
    import soundfile

    rate: int = sound.samplerate
    block_length = max(1, int(rate * BLOCK_S))
    read = 0
    while True:
        try:
            block: Floats = sound.read(block_length, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError as problem:
            raise VoicelogError(_broken(path, read / rate)) from problem
        if not len(block):
            break
        if not np.isfinite(block).all():
            raise VoicelogError(_broken(path, read / rate))
        read += len(block)
        yield block.mean(axis=1, dtype=np.float32)
    tolerated = sound.frames * _MP3_LENGTH_ERROR if sound.format == "MP3" else 0
    if read < sound.frames - tolerated:
        raise VoicelogError(_broken(path, read / rate))


def _broken(path: Path, at_s: float) -> str:
    return f"{path} is broken {at_s:.1f} s after its start: copy or record it again"
