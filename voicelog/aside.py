"""Parts of voicelog that run in a process of their own."""

from __future__ import annotations

import os
import sys
import threading
from multiprocessing import parent_process
from multiprocessing.util import Finalize


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


def end_with_parent() -> None:
    """In a process that multiprocessing began: end within a second of its parent. One that is killed tells nobody, and
    this process would wait for its next work for good."""
    parent, over = parent_process(), threading.Event()
    if parent is None:
        return

    def watch() -> None:
        while not over.wait(1.0):
            if not parent.is_alive():
                os._exit(1)

    # Python waits for this thread when it ends: with one still running, libraries cannot give up what they hold.
    Finalize(None, over.set, exitpriority=0)
    threading.Thread(target=watch).start()
