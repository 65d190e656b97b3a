"""Keys of the terminal, read without waiting: a page-turner pedal and a headset button are keys."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Literal

Press = Literal["pause", "leave"]

LEAVE = b"qQ\x03\x04"


def presses(typed: bytes) -> list[Press]:
    """What was asked for. Whatever was typed at once is one press: a pedal sends a sequence such as ESC [ 6 ~."""
    if not typed:
        return []
    return ["leave"] if typed[:1] in {bytes([key]) for key in LEAVE} else ["pause"]


@contextmanager
def terminal_keys() -> Iterator[Callable[[], list[Press]]]:
    """A function that gives the keys pressed since it was last asked; none where there is no terminal."""
    if not sys.stdin or not sys.stdin.isatty():
        yield lambda: []
    elif sys.platform == "win32":
        yield _windows_keys
    else:
        with _posix_keys() as keys:
            yield keys


@contextmanager
def _posix_keys() -> Iterator[Callable[[], list[Press]]]:
    import select
    import termios
    import tty

    terminal = sys.stdin.fileno()
    before = termios.tcgetattr(terminal)

    def typed() -> list[Press]:
        ready, _, _ = select.select([terminal], [], [], 0)
        return presses(os.read(terminal, 64)) if ready else []

    tty.setcbreak(terminal)
    try:
        yield typed
    finally:
        termios.tcsetattr(terminal, termios.TCSADRAIN, before)


def _windows_keys() -> list[Press]:
    import msvcrt

    typed = b""
    while msvcrt.kbhit():  # type: ignore[attr-defined, unused-ignore]
        typed += msvcrt.getch()  # type: ignore[attr-defined, unused-ignore]
    return presses(typed)
