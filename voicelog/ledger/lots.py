"""Lots: eggs set, hatched, counted and sent about while their birds wear no bands.

A pure fold in the order in which things happened, like that of the birds. The birds
of a lot without bands are `headcount`: what hatched into a pen, and what was moved,
lost and banded out of it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import Any

from voicelog.ledger.birds import Conflict
from voicelog.ledger.plain import Plain
from voicelog.ledger.standing import TAKERS, standing

LOT_KINDS = frozenset(("eggs_set", "eggs_tended", "hatched", "lot_moved", "lot_less"))
NO_SUCH_LOT = "no such lot is in the book"
"""Said of a lot that neither eggs nor a hatch were ever entered of."""

SHORTEST_INCUBATION_DAYS = 14
"""No quail egg hatches sooner; incubation is 17 to 18 days (common practice)."""

Banded = Mapping[str, Mapping[str | None, int]]
"""By lot and pen, how many birds were banded out of it."""

Bandings = Callable[[str, str | None], tuple[str, str] | None]
"""Of a lot and a pen, (day, event) of the last banding that took a bird out of it."""

MalesOut = tuple[str, str, int]
"""day, pen left, count of males."""


@dataclass(slots=True)
class FoldedLot:
    """A lot as the facts leave it. Days are "YYYY-MM-DD"; `eggs` are those left of the ones set, `eggs_out` those
    that were taken out; `pens` counts birds without bands by pen,
    before those that were banded out of them are taken off; `males` the birds without bands that are known to
    be males, since they came into a pen as such, and may still be there."""

    name: str
    variety: str = ""
    parents: str | None = None
    eggs: int = 0
    eggs_out: int = 0
    eggs_on: str | None = None
    tended: dict[str, str] = field(default_factory=dict)
    hatched: int = 0
    hatched_on: str | None = None
    died: int = 0
    sold: int = 0
    pens: Counter[str | None] = field(default_factory=Counter)
    males_out: list[MalesOut] = field(default_factory=list)
    males: Counter[str | None] = field(default_factory=Counter)
    _set_by: str | None = None
    _hatched_by: str | None = None
    _took: dict[str | None, tuple[str, str]] = field(default_factory=dict)
    """By pen, (day, event) of the last fact besides bandings that took birds out of it."""


@dataclass(slots=True)
class FoldedPen:
    name: str
    title: str | None = None
    use: str | None = None


@dataclass(frozen=True, slots=True)
class FoldedLots:
    lots: dict[str, FoldedLot]
    pens: dict[str, FoldedPen]
    conflicts: tuple[Conflict, ...]


@dataclass(slots=True)
class Tally:
    """What one session counted of the unbanded birds of a lot in a pen; `day` is that of its last count."""

    session: str
    lot: str | None
    pen: str | None
    day: str
    male: int = 0
    female: int = 0
    unsure: int = 0

    @property
    def total(self) -> int:
        return self.male + self.female + self.unsure


def fold_lots(events: Sequence[Plain], banded: Banded, last_banding: Bandings) -> FoldedLots:
    """The lots and pens of these events, sorted by id, each once.

    `banded` counts, by lot and pen, the birds that were banded out of it; `last_banding` is asked where those
    and others were more than there were.
    """
    gone, _ = standing((e[0], e[5]) for e in events)
    undone = _hatches_taken_back(events, gone)
    entered = {event[5]["lot"] for event in events if event[5]["kind"] in ("eggs_set", "hatched")}
    lots: dict[str, FoldedLot] = {}
    pens: dict[str, FoldedPen] = {}
    conflicts: list[Conflict] = []
    for event in sorted(events, key=itemgetter(4)):
        event_id, _, _, _, day, fact = event
        if event_id in gone:
            continue
        if fact["kind"] == "pen_named":
            pen = pens.setdefault(fact["pen"], FoldedPen(fact["pen"]))
            pen.title, pen.use = fact["title"] or pen.title, fact["use"] or pen.use
        elif fact["kind"] in LOT_KINDS:
            lot = lots.setdefault(fact["lot"], FoldedLot(fact["lot"]))
            wrong = _heed(lot, event_id, day, fact) if lot.name in entered else (None, NO_SUCH_LOT)
            if wrong is not None:
                conflicts.append(Conflict(event_id, wrong[0], f"lot {lot.name}", wrong[1]))
    # What only a merge told of, or whose beginning was taken back, is no lot: nobody knows its variety or its age.
    lots = {name: lot for name, lot in lots.items() if lot.eggs_on or lot.hatched_on}
    for lot in lots.values():
        for left, worn in banded.get(lot.name, {}).items():
            _males_gone(lot, left, worn)
        missing = _loose(lot, banded)[1]
        if missing:
            short = min(missing, key=str)
            where = "no pen" if short is None else f"pen {short}"
            says = f"{missing[short]} more birds were taken out of {where} than it held without bands"
            # To be taken back is what took too many out, never what brought the birds into the book.
            _, took = max(filter(None, (lot._took.get(short), last_banding(lot.name, short))))
            conflicts.append(Conflict(took, None, f"lot {lot.name}", says, sum(missing.values())))
    for name, taker in undone.items():
        worn = sum(banded.get(name, {}).values())
        if worn and name not in lots:
            says = f"its hatch was taken back, but {worn} {'bird was' if worn == 1 else 'birds were'} banded out of it"
            conflicts.append(Conflict(taker, None, f"lot {name}", says, worn))
    return FoldedLots(lots, pens, tuple(conflicts))


def _hatches_taken_back(events: Sequence[Plain], gone: set[str]) -> dict[str, str]:
    """By lot whose hatch was taken back, the last event that did so."""
    hatches = {e[0]: e[5]["lot"] for e in events if e[5]["kind"] == "hatched" and e[0] in gone}
    takers = ((e[0], e[5]["target"]) for e in events if e[5]["kind"] in TAKERS and e[0] not in gone)
    return {hatches[target]: taker for taker, target in takers if target in hatches}


def headcount(lot: FoldedLot, banded: Banded) -> dict[str | None, int]:
    """The birds of a lot without bands by pen, where there are any."""
    return {pen: count for pen, count in _loose(lot, banded)[0].items() if count > 0}


def _loose(lot: FoldedLot, banded: Banded) -> tuple[dict[str | None, int], dict[str | None, int]]:
    """Birds without bands by pen, and by pen how many more were taken out than it held.

    Birds that hatched into no pen that was named may have been in any.
    """
    out = banded.get(lot.name, {})
    held = {pen: lot.pens[pen] - out.get(pen, 0) for pen in {*lot.pens, *out}}
    anywhere = held.get(None, 0)
    missing: dict[str | None, int] = {}
    for pen in sorted((pen for pen, count in held.items() if count < 0 and pen is not None), key=str):
        covered = min(-held[pen], max(anywhere, 0))
        anywhere -= covered
        if held[pen] + covered < 0:
            missing[pen] = -held[pen] - covered
    if None in held:
        held[None] = anywhere
        if anywhere < 0:
            missing[None] = -anywhere
    return held, missing


def fold_tallies(events: Iterable[Plain]) -> dict[tuple[str, str | None, str | None], Tally]:
    """By session, lot and pen: what was counted and not struck."""
    events = list(events)
    return tally_up(events, standing((e[0], e[5]) for e in events)[0])


def tally_up(events: Iterable[Plain], gone: set[str]) -> dict[tuple[str, str | None, str | None], Tally]:
    """As `fold_tallies`, when it is known which events were taken back."""
    tallies: dict[tuple[str, str | None, str | None], Tally] = {}
    for event_id, _, session, _, day, fact in events:
        if fact["kind"] == "counted" and event_id not in gone:
            key = (session, fact["lot"], fact["pen"])
            tally = tallies.setdefault(key, Tally(*key, day))
            tally.day = max(tally.day, day)
            setattr(tally, fact["sex"], getattr(tally, fact["sex"]) + 1)
    return tallies


def _heed(lot: FoldedLot, event_id: str, day: str, fact: dict[str, Any]) -> tuple[str | None, str] | None:
    """Take in one fact about a lot; (the event it conflicts with, what is wrong) where it cannot be true."""
    match fact["kind"]:
        case "eggs_set":
            if lot._set_by is not None:
                return lot._set_by, f"set twice: its eggs were set on {lot.eggs_on} too"
            if lot._hatched_by is not None:
                return lot._hatched_by, f"its eggs were set on {day}, after it hatched on {lot.hatched_on}"
            lot.variety, lot.eggs, lot.eggs_on, lot.parents = fact["variety"], fact["count"], day, fact["parents"]
            lot._set_by = event_id
        case "eggs_tended":
            if lot.eggs_on is None or day < lot.eggs_on:
                return lot._set_by, f"eggs tended on {day}, before they were set"
            if fact["removed"] > lot.eggs:
                return lot._set_by, f"{fact['removed']} eggs taken out on {day}, but {lot.eggs} were left"
            lot.tended[fact["task"]] = day
            lot.eggs -= fact["removed"]
            lot.eggs_out += fact["removed"]
        case "hatched":
            return _hatch(lot, event_id, day, fact)
        case _:
            return _send(lot, event_id, day, fact)
    return None


def _hatch(lot: FoldedLot, event_id: str, day: str, fact: dict[str, Any]) -> tuple[str | None, str] | None:
    if lot._hatched_by is not None:
        return lot._hatched_by, f"hatched twice: on {lot.hatched_on} and on {day}"
    if lot.eggs_on is not None:
        if _days(lot.eggs_on, day) < SHORTEST_INCUBATION_DAYS:
            return lot._set_by, f"hatched on {day}, too soon after its eggs were set on {lot.eggs_on}"
        if fact["count"] > lot.eggs:
            return lot._set_by, f"{fact['count']} chicks from {lot.eggs} eggs"
        if fact["variety"] not in (None, lot.variety):
            return lot._set_by, f"hatched as {fact['variety']}, but its eggs are {lot.variety}"
    elif fact["variety"] is None:
        return None, "hatched without a variety, and its eggs are not in the book"
    lot.variety = fact["variety"] or lot.variety
    lot.parents = fact["parents"] or lot.parents
    lot.hatched, lot.hatched_on, lot._hatched_by = fact["count"], day, event_id
    lot.pens[fact["pen"]] += fact["count"]
    return None


def _send(lot: FoldedLot, event_id: str, day: str, fact: dict[str, Any]) -> tuple[str | None, str] | None:
    """Birds without bands go to another pen, or are no more."""
    if lot.hatched_on is None or day < lot.hatched_on:
        return lot._hatched_by, f"birds of it moved or lost on {day}, before it hatched"
    out = fact["from_pen"] if fact["kind"] == "lot_moved" else fact["pen"]
    lot.pens[out] -= fact["count"]
    lot._took[out] = (day, event_id)
    if fact["kind"] == "lot_moved":
        lot.pens[fact["pen"]] += fact["count"]
        if fact["sex"] == "male":
            lot.males_out.append((day, out or "", fact["count"]))
            _males_gone(lot, out, fact["count"])
            lot.males[fact["pen"]] += fact["count"]
    else:
        _males_gone(lot, out, fact["count"])
        if fact["why"] == "died":
            lot.died += fact["count"]
        else:
            lot.sold += fact["count"]
    # Whatever went, there are no more males in a pen than birds.
    lot.males[out] = min(lot.males[out], max(lot.pens[out], 0))
    return None


def _males_gone(lot: FoldedLot, pen: str | None, count: int) -> None:
    """Birds without bands left a pen: its males, as far as there were any, where nobody said what they were.

    To check a male once more costs less than never to check a bird that stayed.
    """
    lot.males[pen] -= min(lot.males[pen], count)


def _days(earlier: str, later: str) -> int:
    from datetime import date

    return (date.fromisoformat(later) - date.fromisoformat(earlier)).days
