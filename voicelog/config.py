"""The settings file: TOML, read once at the start; the command line wins over it."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Literal

from platformdirs import user_config_path, user_data_path
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from voicelog.values import VoicelogError

CONFIG_VARIABLE = "VOICELOG_CONFIG"


class Config(BaseModel):
    """Every setting and its default. Certainties run from 0 to 1."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    ledger: Path = Field(default_factory=lambda: user_data_path("voicelog", appauthor=False) / "yard.ledger")
    grammars: Path | None = None
    language: str = "en"
    yard: Path | None = None
    engine: Literal["auto", "vosk", "pocketsphinx"] = "auto"
    vosk_model: Path | None = None
    noise: Literal["deepfilter", "webrtc", "rnnoise", "none"] = "deepfilter"
    voice: str = "en-us"
    readback: Literal["full", "brief", "tones"] = "brief"
    keep_sound: bool = True
    accept_from: float = Field(default=0.6, ge=0, le=1)
    ask_from: float = Field(default=0.3, ge=0, le=1)
    gain_db: float = Field(default=0, ge=-40, le=60)
    voice_profile: Path | None = None


def config_path() -> Path:
    """The settings file that is read: $VOICELOG_CONFIG, else the user's own."""
    named = os.environ.get(CONFIG_VARIABLE)
    return Path(named) if named else user_config_path("voicelog", appauthor=False) / "voicelog.toml"


def load_config() -> Config:
    """The settings; the defaults where there is no file. Raises VoicelogError for a file that is wrong."""
    path = config_path()
    if not path.exists():
        if os.environ.get(CONFIG_VARIABLE):
            raise VoicelogError(f"{path}: no such settings file; correct {CONFIG_VARIABLE} or unset it")
        return Config()
    try:
        return Config.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as wrong:
        raise VoicelogError(f"{path}: cannot be read as TOML ({wrong}); mend it or remove it") from wrong
    except ValidationError as wrong:
        first = wrong.errors()[0]
        name = ".".join(str(part) for part in first["loc"])
        raise VoicelogError(f"{path}: {name}: {first['msg']}; mend or remove that line") from wrong
