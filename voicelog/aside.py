"""Parts of voicelog that run in a process of their own."""

from __future__ import annotations

import os
import sys


def command_of(module: str, *arguments: str) -> list[str]:
    """The command that runs a module of voicelog, in the environment `environment_of_child`.

    -P: without it a file in the working folder that is named like a module of Python's own, or another voicelog there,
    would be taken.
    """
    return [sys.executable, "-P", "-m", module, *arguments]


def cores() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def environment_of_child() -> dict[str, str]:
    """This process's environment, and its modules found where it finds them itself."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(place for place in sys.path if place)}
