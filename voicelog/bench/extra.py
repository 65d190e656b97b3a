"""Libraries of the extra `bench`, imported when needed, with a clear word where they are missing."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from voicelog.values import VoicelogError

INSTALL = "pip install 'voicelog[bench]'"


def need(module: str, package: str) -> Any:
    """The module. Raises VoicelogError where it is not installed."""
    try:
        return import_module(module)
    except ImportError as missing:
        raise VoicelogError(f"the benchmark needs {package}, which is not installed: {INSTALL}") from missing


def scipy_part(name: str) -> Any:
    return need(f"scipy.{name}", "scipy")
