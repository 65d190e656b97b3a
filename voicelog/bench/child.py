"""A voicelog in a process of its own, for benchmarks that read what it says and end it as they like."""

from __future__ import annotations

import queue
import random
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from itertools import pairwise

from voicelog.values import VoicelogError

STUCK_S = 300.0
"""A process that says nothing for so long is stuck."""


class Child:
    """A voicelog in a process of its own, whose lines are read as they come."""

    def __init__(self, arguments: list[str], environment: dict[str, str] | None = None) -> None:
        self._process = subprocess.Popen(
            [sys.executable, *arguments],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
        )  # fmt: skip
        self._lines: queue.Queue[str | None] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def feed(self, text: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(text)
        self._process.stdin.flush()

    def line(self, most_s: float) -> str | None:
        """The next line, or None where none came for so long or none will come."""
        try:
            return self._lines.get(timeout=most_s)
        except queue.Empty:
            return None

    def kill_after(
        self, replies: int, chance: random.Random, is_reply: Callable[[str], bool], ready: str | None = None
    ) -> list[str]:
        """All whole lines up to the kill: so many replies, and then a random part of the time between two.

        Raises VoicelogError where the process fails by itself.
        """
        lines: list[str] = []
        times = [time.monotonic()]
        came, ended = 0, False
        while not ended and (came < replies or (ready is not None and not any(ready in line for line in lines))):
            ended = not self._next(lines)
            came += not ended and is_reply(lines[-1])
            times.append(time.monotonic())
        gaps = sorted(after - before for before, after in pairwise(times))
        threading.Event().wait(chance.random() * 1.5 * (gaps[len(gaps) // 2] if gaps else 1.0))
        failed = self._process.poll() not in (None, 0)
        errors = self.end()
        while not ended:
            ended = not self._next(lines)
        if failed:
            raise VoicelogError(f"a session that was to be killed failed by itself: {errors[-300:]}")
        return lines

    def _next(self, lines: list[str]) -> bool:
        """Wait for one more line; whether there was one before the process ended."""
        try:
            line = self._lines.get(timeout=STUCK_S)
        except queue.Empty:
            self.end()
            raise VoicelogError(f"a session that was to be killed got stuck: {lines[-3:]}") from None
        if line is not None:
            lines.append(line)
        return line is not None

    def end(self) -> str:
        """Kill it. Returns what it said on its standard error."""
        self._process.kill()
        assert self._process.stderr is not None and self._process.stdin is not None
        errors = self._process.stderr.read()
        self._process.wait()
        self._process.stderr.close()
        self._process.stdin.close()
        return errors.strip().replace("\n", " | ")

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as lines:
            for line in lines:
                # The kill may cut a line in two.
                if line.endswith("\n"):
                    self._lines.put(line.rstrip("\n"))
        self._lines.put(None)
