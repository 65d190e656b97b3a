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

MANY = 250_000
"""Events from which on a second process is of use: beginning it takes as long as folding some 50,000."""

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


class UpperHalf:
    """What a process has folded of the upper half, which `folding_process` tells."""

    def __init__(self, process: subprocess.Popen[bytes] | None) -> None:
        self._process = process
        self._begun = time.monotonic()

    def told(self) -> Any | None:
        """What it told, once it is done; None where it could not begin, has failed or is stuck."""
        if self._process is None:
            return None
        try:
            found, _ = self._process.communicate(timeout=time.monotonic() - self._begun + STUCK_S)
        except subprocess.TimeoutExpired:
            return None
        return marshal.loads(found) if self._process.returncode == 0 else None


@contextmanager
def folding(path: Path, middle: int) -> Iterator[UpperHalf]:
    """Have the upper half of the events that are committed in the file at `path` folded. The process is gone when the
    block has ended."""
    process = None
    with suppress(OSError):
        process = subprocess.Popen(
            command_of("voicelog.ledger.folding_process", str(path), str(middle)),
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment_of_child(),
        )  # fmt: skip
    try:
        yield UpperHalf(process)
    finally:
        if process is not None:
            process.kill()
            process.communicate()
