"""Which events stand: a later event may take back or replace an earlier one.

A void or a retraction takes back its target as long as it stands itself, so a
retraction of a retraction brings the first event back. A correction stands in
place of the call it corrects, and of what that one had corrected; when it is taken
back, the call that it corrected counts again, and only that.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

TAKERS = frozenset(("void", "retracted"))

Standing = tuple[set[str], set[str]]
"""The events that were taken back, and the calls that a correction stands in the place of."""


def standing(events: Iterable[tuple[str, dict[str, Any]]]) -> Standing:
    """What was taken back, and what corrected, by these events. They are (id, payload), in any order."""
    takers, corrects = [], {}
    for event_id, fact in events:
        if fact["kind"] in TAKERS:
            takers.append((event_id, fact["target"]))
        elif fact.get("supersedes") is not None:
            corrects[event_id] = fact["supersedes"]
    gone = taken_back(takers)
    return gone, replaced(corrects, gone)


def taken_back(takers: Iterable[tuple[str, str]]) -> set[str]:
    """Every event that a void or retraction takes back. `takers` are (its own id, target)."""
    gone: set[str] = set()
    # A taker is younger than what it takes back: the youngest decides first.
    for event_id, target in sorted(takers, reverse=True):
        if event_id not in gone and target < event_id:
            gone.add(target)
    return gone


def fates(events: Iterable[tuple[str, dict[str, Any]]]) -> dict[str, str]:
    """By event id, in plain words, why an event does not count. `events` are (id, payload)."""
    events = list(events)
    gone, superseded = standing(events)
    why = dict.fromkeys(superseded, "corrected")
    for event_id, fact in events:
        if fact["kind"] in TAKERS and event_id not in gone and fact["target"] in gone:
            why[fact["target"]] = f"taken back: {fact['reason']}" if "reason" in fact else "struck"
    return why


def replaced(corrects: Mapping[str, str], gone: set[str]) -> set[str]:
    """Every call that a correction stands in the place of. `corrects` maps each correction to its call."""
    done: set[str] = set()
    for correction in corrects.keys() - gone:
        target: str | None = corrects[correction]
        while target is not None and target not in done:
            done.add(target)
            target = corrects.get(target)
    return done
