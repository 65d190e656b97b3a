"""What the events add up to: which calls stand, and what is last known of each bird.

A pure fold, and one that does not depend on the order in which events arrive: it
sorts them by id and takes each id once. So the union of two ledgers folds to the
same book whichever was read first.

A call stands unless it was voided, or a correction of it stands in its place. A
correction of a correction replaces both; voiding the last correction brings back
what it corrected, and only that.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from functools import reduce
from itertools import groupby
from typing import Literal

from voicelog.ledger.events import CallMade, CallVoided, Event
from voicelog.ledger.flock_facts import Retracted
from voicelog.ledger.standing import replaced, taken_back
from voicelog.values import Call

State = Literal["effective", "superseded", "voided"]


@dataclass(frozen=True, slots=True)
class KeptCall:
    """A call in the ledger and what became of it. `id` is its event's."""

    id: str
    session: str
    at: datetime
    band: int
    call: Call
    supersedes: str | None
    state: State


@dataclass(frozen=True, slots=True)
class Bird:
    """One band and its effective calls, oldest first; there is at least one."""

    band: int
    calls: tuple[KeptCall, ...]

    @property
    def known(self) -> Call:
        """The last said value of every slot."""
        return reduce(lambda earlier, kept: kept.call.over(earlier), self.calls, Call(band=self.band))

    @property
    def sexed_at(self) -> datetime | None:
        """When its sex was last called (UTC)."""
        return next((kept.at for kept in reversed(self.calls) if kept.call.sex is not None), None)

    @property
    def last_at(self) -> datetime:
        """When it was last called (UTC)."""
        return self.calls[-1].at


@dataclass(frozen=True, slots=True)
class Book:
    """All calls oldest first, each with its state, and by band the birds that have an effective one."""

    calls: tuple[KeptCall, ...]
    birds: dict[int, Bird]


def fold(events: Iterable[Event]) -> Book:
    """The book of these events, in whatever order they come."""
    by_id = {event.id: event for event in events}
    facts = {event_id: by_id[event_id].fact for event_id in sorted(by_id)}
    made = {event_id: fact for event_id, fact in facts.items() if isinstance(fact, CallMade)}
    takers = [(event_id, fact.target) for event_id, fact in facts.items() if isinstance(fact, CallVoided | Retracted)]
    voided = taken_back(takers)
    corrects = {event_id: fact.supersedes for event_id, fact in made.items() if fact.supersedes is not None}
    superseded = replaced(corrects, voided)

    def kept(event_id: str, fact: CallMade) -> KeptCall:
        event, band = by_id[event_id], fact.call.band
        assert band is not None  # CallMade sees to it
        state: State = "effective"
        if event_id in voided:
            state = "voided"
        elif event_id in superseded:
            state = "superseded"
        return KeptCall(event_id, event.session, event.at, band, fact.call, fact.supersedes, state)

    calls = tuple(kept(event_id, fact) for event_id, fact in made.items())
    effective = sorted((call for call in calls if call.state == "effective"), key=lambda call: (call.band, call.id))
    birds = {band: Bird(band, tuple(of_bird)) for band, of_bird in groupby(effective, key=lambda call: call.band)}
    return Book(calls, birds)
