"""Work in a process of its own."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import connection, get_context, parent_process

Tidy = Callable[[], object]
"""What is left to be done where the process that wanted the work was killed."""


def process_of_its_own(begin: Callable[..., Tidy | None], *arguments: object) -> ProcessPoolExecutor:
    """One process that works what is submitted, after it has begun so. It ends with this one, however that ends."""
    # Spawned: to fork a process with threads, or one that holds a ledger open, is not safe.
    return ProcessPoolExecutor(1, get_context("spawn"), partial(_begin, begin, arguments))


def _begin(begin: Callable[..., Tidy | None], arguments: tuple[object, ...]) -> None:
    # Control-C is for whoever waits for the work.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, args=(begin(*arguments),), daemon=True).start()


def _end_with_parent(tidy: Tidy | None) -> None:
    """Killed, the parent shuts nothing down, and its worker would wait for work for ever."""
    parent = parent_process()
    assert parent is not None
    connection.wait([parent.sentinel])
    if tidy is not None:
        tidy()
    os._exit(1)
