"""Events as plain tuples, for folding a million of them: no model is built and nothing is checked twice."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from functools import lru_cache
from operator import itemgetter
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


def plain(rows: Iterable[tuple[str, str, str, str, str, str]], writers: Mapping[str, str]) -> list[Plain]:
    """The rows of a query for `PLAIN_COLUMNS`. `writers` names the writer of events whose device forked."""
    loads, day_of, told = orjson.loads, local_day, writers.get
    found: list[Plain] = []
    add = found.append
    for event_id, device, session, at, zone, payload in rows:
        fact = loads(payload)
        day = fact.get("on") or day_of(at[:16], zone)
        add((event_id, told(event_id, device) if writers else device, session, at, day, fact))
    return found


def in_order(rows: Iterable[tuple[str, str, str, str, str, str]], writers: Mapping[str, str]) -> Iterator[Plain]:
    """As `plain`, in the order in which things happened: by day, and within a day in the order of `rows`.

    A payload is decoded when its turn comes and forgotten by whoever is done with it: a
    million of them decoded at once take more than a gigabyte, and most of the time.
    """
    loads, day_of = orjson.loads, local_day
    waiting: list[tuple[str, str, str, str, str, str]] = []
    add = waiting.append
    for event_id, device, session, at, zone, payload in rows:
        # A quote inside a text has a backslash before it, so this can only be the key and its value.
        on = None if '"on":null' in payload else loads(payload).get("on")
        writer = writers.get(event_id, device) if writers else device
        add((on or day_of(at[:16], zone), event_id, writer, session, at, payload))
    waiting.sort(key=itemgetter(0))
    waiting.reverse()
    while waiting:
        day, event_id, writer, session, at, payload = waiting.pop()
        yield event_id, writer, session, at, day, loads(payload)


def plain_event(event: Event) -> Plain:
    """One event as `plain` gives it."""
    fact = event.fact.model_dump(mode="json")
    at = event.at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return event.id, event.device, event.session, at, fact.get("on") or local_day(at[:16], event.zone), fact


@lru_cache(maxsize=100_000)
def local_day(minute: str, zone: str) -> str:
    """The local day of a UTC time "YYYY-MM-DDThh:mm" at an offset such as "-05:30"."""
    return minute[:10] if zone == "+00:00" else local_time(minute, zone)[:10]


def local_time(at: str, zone: str) -> str:
    """A UTC time, from its minutes on, as local time to the minute: "YYYY-MM-DDThh:mm"."""
    hours, minutes = int(zone[1:3]), int(zone[4:6])
    off = timedelta(hours=hours, minutes=minutes)
    utc = datetime.fromisoformat(at[:16])
    return (utc - off if zone[0] == "-" else utc + off).isoformat(timespec="minutes")
