"""Events as plain tuples, for folding a million of them: no model is built and nothing is checked twice."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from itertools import islice
from typing import Any

import orjson

from voicelog.ledger.events import Event

Plain = tuple[str, str, str, str, str, dict[str, Any]]
"""id, writer, session, at (as the ledger writes times), day, payload.

`day` is the local day on which it happened, "YYYY-MM-DD". `writer` is the device;
where two copies of one ledger went on apart, it tells their branches apart too
(`voicelog.ledger.forks`).
"""

PLAIN_COLUMNS = "event.id, event.device, event.session, event.at, event.zone, event.payload"
"""The columns that `plain` takes, in its order."""

FOLDED_COLUMNS = "event.id, event.device, event.at, event.zone, event.payload"
"""Those that `in_order` takes."""

Stored = tuple[str, str, str, str, str]
"""id, device, at, zone, payload, as stored."""


def plain(rows: Iterable[tuple[str, str, str, str, str, str]], writers: Mapping[str, str]) -> list[Plain]:
    """The rows of a query for `PLAIN_COLUMNS`. `writers` names the writer of events whose device forked."""
    loads, day_of, told = orjson.loads, local_day, writers.get
    found: list[Plain] = []
    add = found.append
    for event_id, device, session, at, zone, payload in rows:
        fact = loads(payload)
        day = fact.get("on") or day_of(at, zone)
        add((event_id, told(event_id, device) if writers else device, session, at, day, fact))
    return found


BLOCK = 256
"""Events read and decoded at once: reading, decoding and folding each in its own short loop, rather than in turn
for every event, keeps the code of each in the processor's nearest cache."""


@dataclass(frozen=True, slots=True)
class Half:
    """The events about bands above `middle`, or all others. Bands `tied` to another by a replacement are with these
    others, as is what is about no band."""

    middle: int
    tied: frozenset[int]
    upper: bool

    def among(self, events: Iterable[tuple[Stored, dict[str, Any]]]) -> Iterator[tuple[Stored, dict[str, Any]]]:
        """Those of these events, each with its payload, that are in this half."""
        for event in events:
            fact = event[1]
            band = fact["call"]["band"] if fact["kind"] == "call" else fact.get("band")
            if (band is not None and band > self.middle and band not in self.tied) is self.upper:
                yield event


class LateError(Exception):
    """An event happened before one that was kept before it."""


def late_among(rows: Iterable[Stored], half: Half | None = None) -> list[tuple[str, Stored]]:
    """Those of the rows of a query for `FOLDED_COLUMNS`, sorted by id, that happened on an earlier day than others
    before them, or on a day that had not come when they were kept; each after its day. Sorted by day, then by id.
    Of one half only, where that is given."""
    today, found = "", []
    for row, day, _, usual in _with_days(rows, half):
        if usual and day >= today:
            today = day
        else:
            found.append((day, row))
    return sorted(found)


def in_order(
    rows: Iterable[Stored],
    writers: Mapping[str, str],
    late: Iterable[tuple[str, Stored]] = (),
    half: Half | None = None,
) -> Iterator[Plain]:
    """The rows of a query for `FOLDED_COLUMNS`, sorted by id, in the order in which things happened: by day, and
    within a day by id; of one half only, where that is given. Sessions are left empty.

    They mostly are in that order, so each is told when it is read, and forgotten: a million of them are half
    a gigabyte. Only those that are not, the `late_among` them, are held. Raises LateError for one that is not given.
    """
    held = list(late)[::-1]
    aside = {row[0] for _, row in held}
    after = _key(held)
    today = ""
    for row, day, fact, usual in _with_days(rows, half):
        event_id, device, at, _, _ = row
        if event_id in aside:
            continue
        if day != today:
            if day < today:
                raise LateError
            today = day
        if not usual:
            raise LateError
        while after < (day, event_id):
            yield _told(*held.pop(), writers)
            after = _key(held)
        yield event_id, writers.get(event_id, device) if writers else device, "", at, today, fact
    while held:
        yield _told(*held.pop(), writers)


def _key(held: list[tuple[str, Stored]]) -> tuple[str, str]:
    """Day and id of the event that is told next; behind all others where none is left."""
    return (held[-1][0], held[-1][1][0]) if held else ("~", "")


def _told(day: str, row: Stored, writers: Mapping[str, str]) -> Plain:
    event_id, device, at, _, payload = row
    return event_id, writers.get(event_id, device), "", at, day, orjson.loads(payload)


def _with_days(rows: Iterable[Stored], half: Half | None) -> Iterator[tuple[Stored, str, dict[str, Any], bool]]:
    """Each row, the day on which it happened, its payload, and whether that day had come when it was kept."""
    loads, day_of = orjson.loads, local_day
    rows = iter(rows)
    while block := list(islice(rows, BLOCK)):
        facts = [loads(row[4]) for row in block]
        events = zip(block, facts, strict=True)
        for row, fact in events if half is None else half.among(events):
            day, on = day_of(row[2], row[3]), fact.get("on")
            yield row, on or day, fact, on is None or on <= day


def plain_event(event: Event) -> Plain:
    """One event as `plain` gives it."""
    fact = event.fact.model_dump(mode="json")
    at = event.at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return event.id, event.device, event.session, at, fact.get("on") or local_day(at, event.zone), fact


def local_day(at: str, zone: str) -> str:
    """The local day of a UTC time "YYYY-MM-DDThh:mm", whatever follows, at an offset such as "-05:30"."""
    if zone == "+00:00":
        return at[:10]
    turn, step = _turn(zone)
    return at[:10] if (at[11:16] >= turn) is (step < 0) else _day_beside(at[:10], step)


@lru_cache
def _turn(zone: str) -> tuple[str, int]:
    """The UTC time "hh:mm" at which the local day begins, and whether it is another day than UTC's from then
    on (1) or before it (-1)."""
    minutes = int(zone[1:3]) * 60 + int(zone[4:6])
    step = 1
    if zone[0] == "-":
        step = -1
    else:
        minutes = 24 * 60 - minutes
    return f"{minutes // 60:02}:{minutes % 60:02}", step


@lru_cache(maxsize=10_000)
def _day_beside(day: str, step: int) -> str:
    return (date.fromisoformat(day) + timedelta(days=step)).isoformat()


def local_time(at: str, zone: str) -> str:
    """A UTC time, from its minutes on, as local time to the minute: "YYYY-MM-DDThh:mm"."""
    hours, minutes = int(zone[1:3]), int(zone[4:6])
    off = timedelta(hours=hours, minutes=minutes)
    utc = datetime.fromisoformat(at[:16])
    return (utc - off if zone[0] == "-" else utc + off).isoformat(timespec="minutes")
