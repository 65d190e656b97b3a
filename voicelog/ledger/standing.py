"""Which events stand: a later event may take back or replace an earlier one.

A void or a retraction takes back its target as long as it stands itself, so a
retraction of a retraction brings the first event back. A correction stands in
place of the call it corrects, and of what that one had corrected; when it is taken
back, the call that it corrected counts again, and only that.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

TAKERS = frozenset(("void", "retracted"))


def taken_back(takers: Iterable[tuple[str, str]]) -> set[str]:
    """Every event that a void or retraction takes back. `takers` are (its own id, target)."""
    gone: set[str] = set()
    # A taker is younger than what it takes back: the youngest decides first.
    for event_id, target in sorted(takers, reverse=True):
        if event_id not in gone and target < event_id:
            gone.add(target)
    return gone


def replaced(corrects: Mapping[str, str], gone: set[str]) -> set[str]:
    """Every call that a correction stands in the place of. `corrects` maps each correction to its call."""
    done: set[str] = set()
    for correction in corrects.keys() - gone:
        target: str | None = corrects[correction]
        while target is not None and target not in done:
            done.add(target)
            target = corrects.get(target)
    return done
