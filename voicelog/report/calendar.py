"""The due list as an iCalendar file (RFC 5545), for any calendar program."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from voicelog.flock import Task


def calendar(tasks: Iterable[Task], now: datetime) -> bytes:
    """One whole-day entry a task, on the day it is due. `now` is aware. Entries keep their UID from file to file."""
    from icalendar import Calendar, Event

    whole = Calendar()
    whole.add("prodid", "-//voicelog//due list//EN")
    whole.add("version", "2.0")
    for task in tasks:
        entry = Event()
        where = f"lot {task.lot}" if task.pen is None else f"pen {task.pen}, lot {task.lot}"
        named = "-".join((task.due.isoformat(), task.kind, task.what, task.lot, task.pen or ""))
        entry.add("uid", f"{named.replace(' ', '_')}@voicelog")
        entry.add("dtstamp", now.astimezone(UTC))
        entry.add("dtstart", task.due)
        entry.add("dtend", task.due + timedelta(days=1))
        entry.add("summary", f"{where}: {task.what}")
        entry.add("description", task.reason)
        whole.add_component(entry)
    return bytes(whole.to_ical())
