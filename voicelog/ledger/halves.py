"""A rebuild of many events on two cores: the birds of the upper bands are folded in a process of its own.

No bird is in both halves: bands that were replaced, and those that replaced them, are in the lower one whatever their
number. The process reads the file, so every event must be committed; rows come back, and are written here.
"""

from __future__ import annotations

import json
import marshal
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from random import Random
from statistics import median_low
from typing import Any

from voicelog.aside import command_of, cores, environment_of_child
from voicelog.ledger.plain import Half

MANY = 400_000
"""Events from which on a second process is of use: of 250,000 it takes as long as one alone, since it must begin and
reads all events too."""

SAMPLE = 500
"""Events that are looked at to find the band in the middle, which comes out within a few hundredths of it."""

STUCK_S = 60.0
"""A process that needs so much longer than this one for its half is stuck."""

_RING, _NEW = "json_extract(payload, '$.band')", "json_extract(payload, '$.new')"


def middle_of(conn: sqlite3.Connection) -> int | None:
    """A band with about as many events up to it as above; None where a second process would be of no use."""
    device, events = conn.execute("SELECT device, max(seq) FROM head").fetchone()
    if events is None or events < MANY or cores() == 1:
        return None
    # Counted along the index this took a fifth of a second in a million. By chance, since each hundredth event may well
    # be the same bird's.
    some = json.dumps(sorted(Random(events).sample(range(1, events + 1), min(SAMPLE, events))))
    # CROSS JOIN: SQLite would else go through all events for each of these.
    sql = "SELECT band FROM json_each(?) AS some CROSS JOIN event ON device = ? AND seq = some.value"
    bands = [band for (band,) in conn.execute(sql, [some, device]) if band is not None]
    return median_low(bands) if bands else None


def half_of(conn: sqlite3.Connection, middle: int, *, upper: bool) -> Half:
    """The events about birds of the bands above `middle`, or all others."""
    replaced = conn.execute(f"SELECT {_RING}, {_NEW} FROM event WHERE {_NEW} IS NOT NULL")
    return Half(middle, frozenset(band for both in replaced for band in both), upper)


class TwoHalves:
    """The lower half, to be folded here, and the upper one, which a process folds; `folding_process` says what it
    tells."""

    def __init__(self, lower: Half, upper: Half, process: subprocess.Popen[bytes] | None) -> None:
        self.lower = lower
        self.upper = upper
        self._process = process
        self._begun = time.monotonic()

    def told(self) -> Any | None:
        """What the process told, once it is done; None where it could not begin, has failed or is stuck."""
        if self._process is None:
            return None
        try:
            found, _ = self._process.communicate(timeout=time.monotonic() - self._begun + STUCK_S)
        except subprocess.TimeoutExpired:
            return None
        return marshal.loads(found) if self._process.returncode == 0 else None


@contextmanager
def folding(conn: sqlite3.Connection, committed: Path | None) -> Iterator[TwoHalves | None]:
    """Have the upper half of the events in the file `committed` folded; None where that is of no use, or there is no
    such file. The process is gone when the block has ended."""
    middle = None if committed is None else middle_of(conn)
    if middle is None:
        yield None
        return
    process = None
    with suppress(OSError):
        process = subprocess.Popen(
            command_of("voicelog.ledger.folding_process", str(committed), str(middle)),
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment_of_child(),
        )  # fmt: skip
    try:
        yield TwoHalves(half_of(conn, middle, upper=False), half_of(conn, middle, upper=True), process)
    finally:
        if process is not None:
            process.kill()
            process.communicate()
