"""The yard at one moment, as the due list needs it: lots, pens, live birds in bunches, tallies."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from voicelog.ledger import (
    Event,
    FoldedLot,
    FoldedLots,
    FoldedPen,
    Ledger,
    Tally,
    fold_birds,
    fold_lots,
    fold_tallies,
    headcount,
    plain_event,
)


@dataclass(frozen=True, slots=True)
class Bunch:
    """Live birds with bands that are alike: of one lot in one pen, of one sex called on one day."""

    lot: str
    pen: str | None
    sex: str | None
    sexed_on: str | None
    grouped: bool


@dataclass(frozen=True)
class Yard:
    """`loose` counts the birds without bands by lot and pen, `tallies` holds the last count of each."""

    lots: Mapping[str, FoldedLot]
    pens: Mapping[str, FoldedPen]
    bunches: Mapping[Bunch, int]
    loose: Mapping[tuple[str, str | None], int]
    tallies: Mapping[tuple[str, str | None], Tally]
    strangers: Mapping[tuple[str | None, str | None, bool], int]
    """Live birds with bands that belong to no lot of the book, by pen, by the sex called last, and by whether they
    are in a breeding group."""
    grouped: frozenset[str]
    """Lots that breeding groups were made up from."""

    @cached_property
    def known_pens(self) -> frozenset[str]:
        """Pens that were named, or that a live bird is in."""
        banded = {bunch.pen for bunch in self.bunches} | {pen for pen, _, _ in self.strangers}
        pens = {*self.pens, *banded, *(pen for _, pen in self.loose)}
        return frozenset(pen for pen in pens if pen is not None)

    @cached_property
    def pens_with_hens(self) -> frozenset[str | None]:
        """Pens with a bird that is not called male, whatever lot it is of."""
        banded = {bunch.pen for bunch in self.bunches if bunch.sex != "male"}
        strangers = {pen for pen, sex, _ in self.strangers if sex != "male"}
        counted = {
            pen for (lot, pen), tally in self.tallies.items()
            if tally.female + tally.unsure > 0 and self.loose.get((lot, pen), 0) > 0
        }  # fmt: skip
        return frozenset(banded | strangers | counted)


def yard_now(ledger: Ledger) -> Yard:
    """The yard as the ledger's tables have it."""
    folded = ledger.lots()
    banded = ledger.banded_out()
    rows = ledger.db.execute(
        "SELECT lot, pen, sex, sexed_on, grp, count(*) FROM bird WHERE state = 'live' "
        "GROUP BY lot, pen, sex, sexed_on, grp"
    )
    tallies = [Tally(*row) for row in ledger.db.execute("SELECT * FROM tally ORDER BY day, session, lot, pen")]
    # The plus keeps SQLite from going through every bird that ever had a lot: few were grouped.
    grouped = ledger.db.execute("SELECT DISTINCT lot FROM bird WHERE grp IS NOT NULL AND +lot IS NOT NULL")
    return _yard(folded, banded, ((tuple(row[:5]), row[5]) for row in rows), tallies, {lot for (lot,) in grouped})


def yard_of(events: Iterable[Event]) -> Yard:
    """The yard that these events make, in whatever order they come: what the tables must agree with."""
    by_id = {event.id: event for event in events}
    plain = [plain_event(by_id[event_id]) for event_id in sorted(by_id)]
    birds = fold_birds(plain).birds
    banded: dict[str, Counter[str | None]] = defaultdict(Counter)
    for bird in birds:
        if bird.entered and bird.lot:
            banded[bird.lot][bird.took_from] += 1
    alike = Counter(
        (bird.lot, bird.known.get("pen"), bird.known.get("sex"), bird.sexed_on, bird.group)
        for bird in birds
        if bird.state == "live"
    )
    tallies = sorted(fold_tallies(plain).values(), key=lambda t: (t.day, t.session, t.lot or "", t.pen or ""))
    grouped = {bird.lot for bird in birds if bird.group is not None and bird.lot is not None}
    days = {event[0]: event[4] for event in plain}

    def last_banding(lot: str, pen: str | None) -> tuple[str, str] | None:
        out = (bird.entered for bird in birds if bird.entered and (bird.lot, bird.took_from) == (lot, pen))
        return max(((days[event_id], event_id) for event_id in out), default=None)

    return _yard(fold_lots(plain, banded, last_banding), banded, alike.items(), tallies, grouped)


def _yard(
    folded: FoldedLots,
    banded: Mapping[str, Mapping[str | None, int]],
    alike: Iterable[tuple[tuple[str | None, str | None, str | None, str | None, str | None], int]],
    tallies: Iterable[Tally],
    grouped: set[str],
) -> Yard:
    bunches: Counter[Bunch] = Counter()
    strangers: Counter[tuple[str | None, str | None, bool]] = Counter()
    for (lot, pen, sex, sexed_on, group), count in alike:
        if lot is None or lot not in folded.lots:
            strangers[pen, sex, group is not None] += count
        else:
            bunches[Bunch(lot, pen, sex, sexed_on, group is not None)] += count
    loose = {(lot.name, pen): count for lot in folded.lots.values() for pen, count in headcount(lot, banded).items()}
    # The last count of a lot in a pen is the one that holds.
    last = {(tally.lot, tally.pen): tally for tally in tallies if tally.lot is not None}
    return Yard(folded.lots, folded.pens, bunches, loose, last, strangers, frozenset(grouped))
