"""Which bird each fact is about, and what the facts add up to, bird by bird.

A pure fold in the order in which things happened: by day, and within a day by id.
The band on a leg names a bird only from the day it was put on to the day it was
lost, replaced, or its bird died or was sold; then the number is free for another.
A call about a band that nobody was given begins a bird of its own, known by that
band: a keeper may check birds before entering them in the book, and `banded` then
tells where that same bird comes from.

What cannot all be true is a `Conflict`: the later fact is kept but not heeded until
somebody retracts one of the two. (A call is heeded all the same: it was made on
some bird.)
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from operator import itemgetter
from sys import intern
from typing import Any

from voicelog.ledger.plain import Plain
from voicelog.ledger.standing import Standing, standing

SLOTS = ("sex", "foam", "gland", "breast", "weight_g", "condition", "fate", "pen")
"""The slots of a call besides its band."""

BIRD_KINDS = frozenset(("banded", "band_lost", "band_replaced", "moved", "died", "sold", "grouped"))
"""Facts about one banded bird, besides calls."""


@dataclass(frozen=True, slots=True)
class Conflict:
    """`event` cannot be true beside `other` (None where it is alone in being impossible)."""

    event: str
    other: str | None
    about: str
    """The band or the lot."""
    says: str
    short: int = 0
    """Of a lot: how many more birds were taken out than there were."""


@dataclass(slots=True)
class FoldedBird:
    """A bird as the facts leave it. Days are "YYYY-MM-DD", `pen` the pen that it is in.

    `state` is "live", "dead" or "sold" (on day `gone_on`). `band` is None while it
    wears none; `first_band` is the one it was first known by. `sex` is the last one
    called (on `sexed_on`), `changed_on` the day on which a hen was called male, or
    the other way round, for the last time. `known` holds the other slots of its calls.
    """

    id: str
    first_band: int
    band: int | None
    known: dict[str, Any]
    entered: str | None = None
    lot: str | None = None
    took_from: str | None = None
    group: str | None = None
    sexed_on: str | None = None
    sexed_at: str | None = None
    changed_on: str | None = None
    last_at: str | None = None
    calls: int = 0
    state: str = "live"
    gone_on: str | None = None
    _gone_by: str = ""
    _replaced_by: str | None = None
    _moved: tuple[str, str, str] = ("", "", "")
    _sexed: tuple[str, str] = ("", "")


CallRow = tuple[int, str, str, str, str, str | None]
"""band, id, day, supersedes (empty for no correction), state, bird."""


@dataclass(frozen=True, slots=True)
class FoldedBirds:
    birds: tuple[FoldedBird, ...]
    calls: tuple[CallRow, ...]
    conflicts: tuple[Conflict, ...]


def fold_birds(events: Iterable[Plain], about: dict[str, str] | None = None) -> FoldedBirds:
    """The birds of these events, which are sorted by id, each once. The birds come in the order of their first facts.

    Into `about`, where given, goes by event id the bird that the event is about.
    """
    events = list(events)
    book, calls = _Book(), list[CallRow]()
    # The sort is stable: within a day the order of ids stays.
    _read(sorted(events, key=itemgetter(4)), standing((e[0], e[5]) for e in events), book, calls.append, about)
    return FoldedBirds(tuple(book.birds.values()), tuple(calls), tuple(book.conflicts))


def fold_in_passing(
    events: Iterable[Plain],
    stands: Standing,
    add_bird: Callable[[FoldedBird], object],
    add_call: Callable[[CallRow], object],
) -> tuple[list[Conflict], set[int]]:
    """As `fold_birds`, of many events in the order in which things happened, when it is known which of them stand.

    Calls and birds go to `add_call` and `add_bird`, a bird as soon as it is gone, and then it is forgotten: most
    birds of a large ledger are, and what lies about in the memory for long costs more to come back to than to fold.
    Returned beside the conflicts are the bands that were used once more for a bird that was forgotten. What was told
    of their birds is not all there is: fold them again, with those of the bands that one bird wore in turn.
    """
    book = _Book(add_bird)
    _read(events, stands, book, add_call)
    for bird in book.birds.values():
        add_bird(bird)
    return book.conflicts, book.missed


def _read(
    events: Iterable[Plain],
    stands: Standing,
    book: _Book,
    add_call: Callable[[CallRow], object],
    about: dict[str, str] | None = None,
) -> None:
    gone, superseded = stands
    bird: FoldedBird | None
    for event in events:
        event_id, _, _, _, day, fact = event
        kind = fact["kind"]
        if kind == "call":
            call = fact["call"]
            band = call["band"]
            if event_id in gone:
                state, bird = "voided", book.wearer(band)
            elif event_id in superseded:
                state, bird = "superseded", book.wearer(band)
            else:
                state, bird = "effective", book.called(event, band, call)
            add_call((band, event_id, day, fact["supersedes"] or "", state, bird.id if bird else None))
        elif kind in BIRD_KINDS and event_id not in gone:
            bird = book.heed(event, kind, fact)
        elif about is not None and kind in (*BIRD_KINDS, "note") and fact["band"] is not None:
            bird = book.wearer(fact["band"])
        else:
            continue
        if about is not None and bird is not None:
            about[event_id] = bird.id


def corrected_twice(corrections: Iterable[tuple[str, str, int]]) -> list[Conflict]:
    """Calls that two corrections stand in the place of, each made without knowing of the other.

    `corrections` are (call, correction, its band) of every correction in effect.
    """
    by_target: dict[str, list[tuple[str, int]]] = defaultdict(list)
    for target, correction, band in corrections:
        by_target[target].append((correction, band))
    return [
        Conflict(found[-1][0], found[0][0], f"band {found[-1][1]}", "one call was corrected twice")
        for found in map(sorted, by_target.values())
        if len(found) > 1
    ]


def concurrent(writer: str, other: str) -> bool:
    """Whether neither writer knew what the other wrote."""
    return not (writer.startswith(other) or other.startswith(writer))


class _Book:
    """Who wears which band, as the facts go by; `birds` by their ids.

    Where there is a place for those that are `done`, a bird that is gone goes there and is forgotten, but for its
    id; `missed` are the bands of those that a later fact was about.
    """

    def __init__(self, done: Callable[[FoldedBird], object] | None = None) -> None:
        self.birds: dict[str, FoldedBird] = {}
        self.conflicts: list[Conflict] = []
        self.missed: set[int] = set()
        self._done = done
        self._forgotten: dict[int, str] = {}
        self._wears: dict[int, FoldedBird] = {}
        self._lost: dict[int, FoldedBird] = {}

    def wearer(self, band: int) -> FoldedBird | None:
        """The bird that a band names: who wears it, else who lost it."""
        return self._wears.get(band) or self._lost.get(band) or self._remembered(band)

    def _remembered(self, band: int) -> FoldedBird | None:
        """What is left of a forgotten bird: enough to tell which one it was."""
        return FoldedBird(self._forgotten[band], band, band, {}) if band in self._forgotten else None

    def _missed(self, band: int) -> FoldedBird | None:
        """The same, of a bird that a fact changes or contradicts."""
        if band in self._forgotten:
            self.missed.add(band)
        return self._remembered(band)

    def called(self, event: Plain, band: int, call: dict[str, Any]) -> FoldedBird:
        event_id, _, _, at, day, _ = event
        bird = self._wears.get(band)
        if bird is None:
            bird = self._lost.get(band)
            if bird is None:
                forgotten = self._missed(band)
                if forgotten is not None:
                    return forgotten
                bird = self._begin(f"band {band}", band)
            else:
                self._conflict(event, None, band, f"called on {day}, but that band was lost before")
        if bird.gone_on is not None and (day > bird.gone_on or not bird._gone_by.startswith("call")):
            self._conflict(event, bird._gone_by.partition(" ")[2], band, _gone(bird, "called", day))
        known = bird.known
        for slot, value in call.items():
            if value is not None:
                if slot == "sex":
                    self._sexed(bird, event, band, value)
                elif slot == "pen":
                    self._into(bird, event, band, value)
                elif slot == "condition" and value == "dead" and bird.gone_on is None:
                    bird.state, bird.gone_on, bird._gone_by = "dead", day, f"call {event_id}"
                known[slot] = intern(value) if value.__class__ is str else value
        bird.calls += 1
        if bird.last_at is None or at > bird.last_at:
            bird.last_at = at
        if bird.gone_on is not None:
            self._forget(bird)
        return bird

    def heed(self, event: Plain, kind: str, fact: dict[str, Any]) -> FoldedBird | None:
        event_id, day, band = event[0], event[4], fact["band"]
        if kind == "banded":
            return self._band(event, band, fact)
        bird = self._wears.get(band)
        if bird is None and kind == "band_replaced":
            bird = self._lost.get(band)
        if bird is None:
            if self._missed(band) is None:
                self._conflict(event, None, band, f"nobody wears that band on {day}")
        elif bird.gone_on is not None:
            self._conflict(event, bird._gone_by.partition(" ")[2], band, _gone(bird, kind.replace("_", " "), day))
        elif kind == "band_lost":
            self._take_off(bird, band)
        elif kind == "band_replaced":
            self._replace(event, bird, band, fact["new"])
        elif kind == "moved":
            was = bird.known.get("pen")
            if fact["from_pen"] is not None and was is not None and was != fact["from_pen"]:
                self._conflict(event, None, band, f"taken from pen {fact['from_pen']}, but it is in pen {was}")
            else:
                self._into(bird, event, band, fact["pen"])
                bird.known["pen"] = fact["pen"]
        elif kind == "grouped":
            bird.group = fact["group"]
            self._into(bird, event, band, fact["pen"])
            bird.known["pen"] = fact["pen"]
        else:
            bird.state, bird.gone_on, bird._gone_by = ("dead" if kind == "died" else "sold"), day, f"{kind} {event_id}"
            self._forget(bird)
        return bird

    def _forget(self, bird: FoldedBird) -> None:
        """A gone bird that is known by one band only is told, and its band may be given to another."""
        band = bird.first_band
        if self._done is not None and bird._replaced_by is None and self._wears.get(band) is bird:
            self._done(self.birds.pop(bird.id))
            self._forgotten[band] = bird.id
            del self._wears[band]

    def _begin(self, bird_id: str, band: int) -> FoldedBird:
        bird = self.birds[bird_id] = FoldedBird(bird_id, band, band, {"band": band})
        self._forgotten.pop(band, None)
        self._wears[band] = bird
        self._lost.pop(band, None)
        return bird

    def _band(self, event: Plain, band: int, fact: dict[str, Any]) -> FoldedBird:
        bird = self._wears.get(band)
        if bird is None or bird.gone_on is not None:
            bird = self._begin(event[0], band)
        elif bird.entered is not None or bird.first_band != band:
            self._conflict(event, bird.entered, band, f"given twice: a live bird wears it on {event[4]}")
            return bird
        bird.entered, bird.lot = event[0], fact["lot"] and intern(fact["lot"])
        pen = fact["pen"] and intern(fact["pen"])
        bird.took_from = fact["from_pen"] if fact["from_pen"] is not None else pen
        if pen is not None:
            bird.known["pen"] = pen
        return bird

    def _take_off(self, bird: FoldedBird, band: int) -> None:
        del self._wears[band]
        self._lost[band] = bird
        bird.band = None

    def _replace(self, event: Plain, bird: FoldedBird, band: int, new: int) -> None:
        if bird.band not in (None, band):
            says = f"replaced by {new} on {event[4]}, but its bird wears {bird.band} instead already"
            self._conflict(event, bird._replaced_by, band, says)
            return
        other = self._wears.get(new)
        if other is not None and other.gone_on is None:
            self._conflict(event, other.entered, new, f"given twice: a live bird wears it on {event[4]}")
            return
        if self._wears.get(band) is bird:
            self._take_off(bird, band)
        self._lost.pop(new, None)
        self._forgotten.pop(new, None)
        self._wears[new] = bird
        bird.band = bird.known["band"] = new
        bird._replaced_by = event[0]

    def _into(self, bird: FoldedBird, event: Plain, band: int, pen: str) -> None:
        """The bird goes to a pen. In two pens on one day by two writers: nobody can say which came last."""
        event_id, writer, _, _, day, _ = event
        on, by, moved = bird._moved
        if on == day and pen != bird.known.get("pen") and concurrent(writer, by):
            says = f"in two pens on {day}: {bird.known.get('pen')} and {pen}"
            self._conflict(event, moved, band, says)
        bird._moved = (day, writer, event_id)

    def _sexed(self, bird: FoldedBird, event: Plain, band: int, sex: str) -> None:
        event_id, writer, _, at, day, _ = event
        earlier = bird.known.get("sex")
        if earlier != sex and earlier is not None and earlier != "unsure" and sex != "unsure":
            bird.changed_on = day
            by, called = bird._sexed
            if bird.sexed_on == day and concurrent(writer, by):
                self._conflict(event, called, band, f"called {earlier} and {sex} on {day}")
        bird.sexed_on, bird._sexed = day, (writer, event_id)
        if bird.sexed_at is None or at > bird.sexed_at:
            bird.sexed_at = at

    def _conflict(self, event: Plain, other: str | None, band: int, says: str) -> None:
        self.conflicts.append(Conflict(event[0], other, f"band {band}", says))


def _gone(bird: FoldedBird, what: str, day: str) -> str:
    how = "died" if bird.state == "dead" else "was sold"
    return f"{what} on {day}, but its bird {how} on {bird.gone_on}"
