"""The settings file: TOML, read once at the start; the command line wins over it."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any, Literal

from platformdirs import user_config_path, user_data_path
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from voicelog.session.policy import SAY_AGAIN, SILENT_ERROR, Policy
from voicelog.values import VoicelogError

CONFIG_VARIABLE = "VOICELOG_CONFIG"


class Config(BaseModel):
    """Every setting and its default. Certainties run from 0 to 1; costs are in questions.

    The two certainties follow from the two costs, unless they are set themselves.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    ledger: Path = Field(default_factory=lambda: user_data_path("voicelog", appauthor=False) / "yard.ledger")
    grammars: Path | None = None
    language: str = "en"
    yard: Path | None = None
    varieties: Path | None = None
    engine: Literal["auto", "vosk", "pocketsphinx"] = "auto"
    vosk_model: Path | None = None
    second_listener: bool = True
    noise: Literal["deepfilter", "webrtc", "rnnoise", "none"] = "deepfilter"
    voice: str = "en-us"
    readback: Literal["full", "brief", "tones"] = "brief"
    keep_sound: bool = True
    silent_error_cost: float = Field(default=SILENT_ERROR, ge=5)
    say_again_cost: float = Field(default=SAY_AGAIN, gt=1, le=3)
    accept_from: float = Field(default_factory=lambda known: _cheapest(known).accept_from, ge=0, le=1)
    ask_from: float = Field(default_factory=lambda known: _cheapest(known).ask_from, ge=0, le=1)
    gain_db: float = Field(default=0, ge=-40, le=60)
    voice_profile: Path | None = None
    microphone: str | None = None
    speaker: str | None = None
    headset: bool = False
    speed: float = Field(default=1.0, ge=0.5, le=2.5)
    volume_db: float = Field(default=0, ge=-40, le=20)
    reminders: frozenset[Literal["count", "silence", "half done", "level"]] = frozenset(
        ("count", "silence", "half done", "level")
    )
    silence_reminder_s: float = Field(default=60, ge=10, le=3600)


def _cheapest(known: dict[str, Any]) -> Policy:
    # A cost that was refused is not among what is known; the error is told all the same.
    return Policy.by_cost(known.get("silent_error_cost", SILENT_ERROR), known.get("say_again_cost", SAY_AGAIN))


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
        return Config.model_validate(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except ValidationError as wrong:
        first = wrong.errors()[0]
        name = ".".join(str(part) for part in first["loc"])
        raise VoicelogError(f"{path}: {name}: {first['msg']}; mend or remove that line") from wrong
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as wrong:
        raise VoicelogError(f"{path}: cannot be read as TOML ({wrong}); mend it or remove it") from wrong
    except (ValueError, RecursionError) as wrong:
        why = "a number in it is far too long, or lists lie too deep in one another"
        raise VoicelogError(f"{path}: cannot be read as TOML ({why}); mend it or remove it") from wrong
