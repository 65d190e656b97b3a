"""The chain of hashes: each row of a device vouches for the row before it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Literal

import rfc8785

NO_ROW_BEFORE = "0" * 64
"""`prev` of the first row of a device."""

Row = Mapping[str, Any]

_HASHED = ("id", "device", "seq", "session", "at", "zone", "words", "certainty", "engine", "verdict", "prev")


def row_hash(row: Row) -> str:
    """The hash of one row: SHA-256 (FIPS 180-4) of its canonical form, as 64 lower-case hex digits.

    The canonical form is the UTF-8 text, by RFC 8785 (JSON Canonicalization
    Scheme: keys sorted, no spaces, numbers as ECMAScript writes them), of one
    JSON object with exactly these twelve keys:

        at         text, "YYYY-MM-DDThh:mm:ss.ffffffZ"
        certainty  number or null
        device     text
        engine     text or null
        id         text
        payload    the object that the column `payload` holds as JSON text
        prev       text, the hash of the device's row before
        seq        number
        session    text
        verdict    text or null
        words      text
        zone       text, "+hh:mm" or "-hh:mm"

    The payload is taken as it stands in the row, not as today's models would
    write it, so that a slot added later leaves old hashes as they are.

    Raises ValueError for a row that has no canonical form (its payload is no JSON).
    """
    canonical = {name: row[name] for name in _HASHED} | {"payload": json.loads(row["payload"])}
    return hashlib.sha256(rfc8785.dumps(canonical)).hexdigest()


@dataclass(frozen=True, slots=True)
class Problem:
    """One place where the ledger is not as it was written. `event` is None where the row is gone."""

    kind: Literal["altered", "missing", "reordered"]
    device: str
    seq: int
    event: str | None
    says: str

    def __str__(self) -> str:
        return self.says


def problems(rows: Sequence[Row], heads: Mapping[str, tuple[int, str]]) -> Iterator[Problem]:
    """What is wrong with `rows`, all rows of the table `event` ordered by device and seq.

    `heads` holds the seq and hash of the last row of each device, kept apart from
    the rows so that rows cut from the end are missed too. It cannot help against
    someone who rewrites rows, hashes and heads alike; a hash noted elsewhere can.
    """
    by_device = {device: list(group) for device, group in groupby(rows, key=lambda row: row["device"])}
    for device in sorted({*by_device, *heads}):
        yield from _device_problems(device, by_device.get(device, []), heads.get(device, (0, NO_ROW_BEFORE)))


def _device_problems(device: str, rows: list[Row], head: tuple[int, str]) -> Iterator[Problem]:
    unsound = {row["id"] for row in rows if not _sound(row)}
    written_as = _seq_by_links(rows) if unsound else {}
    last, link, before = 0, NO_ROW_BEFORE, None
    for row in rows:
        if row["seq"] > last + 1:
            yield _missing(device, last + 1, row["seq"] - 1)
        elif row["prev"] != link and row["id"] not in unsound and (before is None or before["id"] not in unsound):
            # Both rows agree with their own hashes, so the earlier one was exchanged whole.
            yield _altered(before or row)
        if row["id"] in unsound:
            seq = written_as.get(row["id"])
            yield _altered(row) if seq is None or not _sound({**row, "seq": seq}) else _moved(row, seq)
        last, link, before = row["seq"], row["hash"], row
    if last < head[0]:
        yield _missing(device, last + 1, head[0])
    elif before is not None and (last, link) != head and before["id"] not in unsound:
        yield _altered(before)


def _sound(row: Row) -> bool:
    try:
        return bool(row_hash(row) == row["hash"])
    except (ValueError, TypeError):
        return False


def _seq_by_links(rows: list[Row]) -> dict[str, int]:
    """The seq that each row was written as, found by following `prev` from the first row."""
    by_prev = {row["prev"]: row for row in rows}
    found: dict[str, int] = {}
    link = NO_ROW_BEFORE
    while (row := by_prev.pop(link, None)) is not None:
        found[row["id"]] = len(found) + 1
        link = row["hash"]
    return found


def _altered(row: Row) -> Problem:
    return Problem("altered", row["device"], row["seq"], row["id"], f"{_named(row)} was altered")


def _moved(row: Row, seq: int) -> Problem:
    says = f"{_named(row)} was moved: it was written as row {seq}"
    return Problem("reordered", row["device"], row["seq"], row["id"], says)


def _missing(device: str, first: int, last: int) -> Problem:
    which = f"row {first} of device {device} is" if first == last else f"rows {first} to {last} of device {device} are"
    return Problem("missing", device, first, None, f"{which} missing")


def _named(row: Row) -> str:
    return f"row {row['seq']} of device {row['device']} (event {row['id']})"
