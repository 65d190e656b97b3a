"""What a rehearsal found out about one voice in one place, kept in a small TOML file.

Beside it lies the transform for PocketSphinx, where one helped. The file names it
by its content, and is itself replaced in one step: a profile is whole or not there.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import tomllib
from datetime import date
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from voicelog.rehearse.mllr import Transform
from voicelog.values import VoicelogError

_HEAD = "# Written by voicelog rehearse. Remove this file to go back to the settings as they were.\n"


class VoiceProfile(BaseModel):
    """Certainties from 0 to 1, levels in dBFS. `mllr` is a file beside the profile."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    made: date
    engine: str
    prompts: int = Field(ge=1)
    right: int = Field(ge=0)
    accept_from: float = Field(ge=0, le=1)
    ask_from: float = Field(ge=0, le=1)
    gain_db: float = Field(ge=0, le=60)
    speech_dbfs: float
    noise_dbfs: float
    mllr: str | None = None


def load_profile(path: Path) -> VoiceProfile:
    """Raises VoicelogError for a file that is missing, no profile, or without its transform."""
    try:
        profile = VoiceProfile.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError as wrong:
        raise VoicelogError(f"{path}: no such voice profile; make it with: voicelog rehearse --save") from wrong
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, ValidationError) as wrong:
        raise VoicelogError(
            f"{path}: no voice profile, or a broken one; make it again: voicelog rehearse --save"
        ) from wrong
    if profile.mllr is not None and not (path.parent / profile.mllr).is_file():
        raise VoicelogError(f"{path}: its transform {profile.mllr} is missing; make it again: voicelog rehearse --save")
    return profile


def save_profile(path: Path, profile: VoiceProfile, transform: Transform | None) -> VoiceProfile | None:
    """Writes the profile and its transform; the profile that stood there before comes back.

    Raises VoicelogError, with nothing changed, where another file stands there or it cannot be written.
    """
    try:
        before = load_profile(path) if path.exists() else None
    except VoicelogError as wrong:
        raise VoicelogError(
            f"{path} is there and is no whole voice profile; remove it, or name another place"
        ) from wrong
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if transform is not None:
            text = transform.as_text()
            name = f"{path.stem}-{hashlib.sha256(text.encode()).hexdigest()[:12]}.mllr"
            _write(path.parent / name, text)
            profile = profile.model_copy(update={"mllr": name})
        _write(path, _HEAD + _as_toml(profile))
        if before is not None and before.mllr not in (None, profile.mllr):
            (path.parent / str(before.mllr)).unlink(missing_ok=True)
    except OSError as wrong:
        raise VoicelogError(
            f"{path}: cannot be written ({wrong.strerror}); name another place with --profile"
        ) from wrong
    return before


def _as_toml(profile: VoiceProfile) -> str:
    values = profile.model_dump(exclude_none=True)
    return "".join(
        f'{key} = "{value}"\n' if isinstance(value, str) else f"{key} = {value}\n" for key, value in values.items()
    )


def _write(path: Path, text: str) -> None:
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
