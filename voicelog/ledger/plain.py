"""Events as plain tuples, for folding a million of them: no model is built and nothing is checked twice."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime, timedelta
from functools import lru_cache
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


def in_order(rows: Iterable[tuple[str, str, str, str, str]], writers: Mapping[str, str]) -> Iterator[Plain]:
    """The rows of a query for `FOLDED_COLUMNS` in the order in which things happened: by day, and within
    a day in the order of `rows`. Sessions are left empty.

    A payload is decoded when its turn comes and forgotten by whoever is done with it: a
    million of them decoded at once take more than a gigabyte, and most of the time.
    """
    loads, day_of = orjson.loads, local_day
    by_day: dict[str, list[tuple[str, str, str, str, str]]] = {}
    for row in rows:
        _, _, at, zone, payload = row
        # A quote inside a text has a backslash before it, so this can only be the key and its value.
        day = None if '"on":null' in payload else loads(payload).get("on")
        if day is None:
            day = day_of(at, zone)
        try:
            by_day[day].append(row)
        except KeyError:
            by_day[day] = [row]
    for day in sorted(by_day):
        for event_id, device, at, _, payload in by_day.pop(day):
            writer = writers.get(event_id, device) if writers else device
            yield event_id, writer, "", at, day, loads(payload)


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
