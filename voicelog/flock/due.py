"""What is due: checks, groups, males to move out, eggs. Computed from the yard, so a finished check is gone at once."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from typing import Literal

from voicelog.flock.varieties import Check, Plan, Plans
from voicelog.flock.yard import Bunch, Yard
from voicelog.ledger import FoldedLot, Tally

Status = Literal["overdue", "today", "coming"]
STATUSES: tuple[Status, ...] = ("overdue", "today", "coming")
MALES_WITHIN_DAYS = 2
"""Males found are to be moved out within so many days, or it is overdue (common practice: at once)."""


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do for a lot in a pen, and why. `count` are birds, or eggs."""

    status: Status
    due: date
    kind: Literal["check", "groups", "males", "eggs"]
    what: str
    lot: str
    pen: str | None
    count: int
    reason: str


@dataclass(frozen=True, slots=True)
class _Asked:
    on: date
    days: int

    def status(self, due: date, tolerance: int) -> Status | None:
        """None for what is due later than asked for."""
        if self.on > due + timedelta(days=tolerance):
            return "overdue"
        if self.on >= due:
            return "today"
        return "coming" if due <= self.on + timedelta(days=self.days) else None


@dataclass(frozen=True, slots=True)
class _Part:
    """What the yard holds of one lot: birds with bands, birds without by pen, and their last tallies."""

    bunches: Counter[Bunch] = field(default_factory=Counter)
    loose: dict[str | None, int] = field(default_factory=dict)
    tallies: dict[str | None, Tally] = field(default_factory=dict)


def _by_lot(yard: Yard) -> dict[str, _Part]:
    parts: dict[str, _Part] = defaultdict(_Part)
    for bunch, count in yard.bunches.items():
        parts[bunch.lot].bunches[bunch] += count
    for (lot, pen), count in yard.loose.items():
        parts[lot].loose[pen] = count
    for (lot, pen), tally in yard.tallies.items():
        parts[lot].tallies[pen] = tally
    return dict(parts)


def due(yard: Yard, plans: Plans, on: date, days: int = 7) -> list[Task]:
    """Everything overdue and due on a day, and what comes within `days` after it; the most urgent first."""
    asked = _Asked(on, days)
    tasks: list[Task] = []
    parts = _by_lot(yard)
    for lot in yard.lots.values():
        plan = plans.of(lot.variety)
        if lot.hatched_on is None:
            tasks += _eggs(lot, plans, asked)
        elif plan is not None and lot.name in parts:
            part = parts[lot.name]
            tasks += _checks(lot, plan, part, asked)
            tasks += _groups(lot, plan, part, asked, done=lot.name in yard.grouped)
            tasks += _males(yard, lot, plan, part, asked)
    return sorted(tasks, key=lambda t: (STATUSES.index(t.status), t.due, t.lot, t.pen or "", t.kind, t.what))


def without_plan(yard: Yard, plans: Plans) -> list[str]:
    """Lots whose variety has no plan: nothing can be said of them."""
    return sorted(lot.name for lot in yard.lots.values() if lot.hatched_on and plans.of(lot.variety) is None)


def without_lot(yard: Yard) -> dict[str | None, int]:
    """By pen, the live birds with bands that belong to no lot of the book: nobody knows how old they are.

    Those of a breeding group wait for no check, and are not among them.
    """
    birds: Counter[str | None] = Counter()
    for (pen, _, grouped), count in yard.strangers.items():
        if not grouped:
            birds[pen] += count
    return dict(birds)


def opens_on(lot: FoldedLot, check: Check) -> date:
    """The first day on which a call counts for this check."""
    assert lot.hatched_on is not None
    return date.fromisoformat(lot.hatched_on) + timedelta(days=check.age - check.tolerance)


def _eggs(lot: FoldedLot, plans: Plans, asked: _Asked) -> Iterator[Task]:
    if lot.eggs_on is None or lot.eggs <= 0:
        return
    eggs, begun = plans.eggs, date.fromisoformat(lot.eggs_on)
    stopped = "stop turning" in lot.tended or asked.on >= begun + timedelta(days=eggs.hatch_day)
    candled = "candle" in lot.tended or stopped or asked.on >= begun + timedelta(days=eggs.stop_turning_day)
    steps = (
        ("candle", eggs.candle_day, candled),
        ("stop turning", eggs.stop_turning_day, stopped),
        ("hatch", eggs.hatch_day, False),
    )
    for what, day, done in steps:
        at = begun + timedelta(days=day)
        status = None if done else asked.status(at, eggs.tolerance)
        if status is not None:
            reason = f"{lot.eggs} eggs of {lot.variety}, day {day} after setting on {lot.eggs_on}"
            yield Task(status, at, "eggs", what, lot.name, None, lot.eggs, reason)


def _checks(lot: FoldedLot, plan: Plan, part: _Part, asked: _Asked) -> Iterator[Task]:
    assert lot.hatched_on is not None
    hatched = date.fromisoformat(lot.hatched_on)
    for check, following in pairwise((*plan.checks, None)):
        assert check is not None
        at, opens = hatched + timedelta(days=check.age), opens_on(lot, check)
        status = asked.status(at, check.tolerance)
        lapsed = following is not None and opens_on(lot, following) <= asked.on
        if status is None or lapsed:
            continue
        birds: dict[str | None, Counter[str]] = defaultdict(Counter)
        for bunch, count in part.bunches.items():
            done = bunch.sexed_on is not None and bunch.sexed_on >= opens.isoformat()
            passed_over = bunch.sex == "male" and check.again == "hens"
            if not done and not passed_over and not bunch.grouped:
                birds[bunch.pen][_called(bunch.sex, bunch.sexed_on, hatched)] += count
        for pen, loose in part.loose.items():
            tally = part.tallies.get(pen)
            if tally is not None and tally.day >= opens.isoformat():
                birds[pen]["not counted"] += max(loose - tally.total, 0)
            else:
                known = _males_left(lot, tally, loose) if tally is not None and check.again == "hens" else 0
                birds[pen]["without bands"] += max(loose - known - lot.males[pen], 0)
        for pen, kinds in birds.items():
            told = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()) if count)
            if not told:
                continue
            yield Task(status, at, "check", check.name, lot.name, pen, kinds.total(), _reason(kinds.total(), told))


def _called(sex: str | None, sexed_on: str | None, hatched: date) -> str:
    if sex is None or sexed_on is None:
        return "not sexed yet"
    age = (date.fromisoformat(sexed_on) - hatched).days
    return f"called {'hen' if sex == 'female' else sex} at {age} days"


def _reason(total: int, told: str) -> str:
    one_kind = told.removeprefix(f"{total} ")
    noun = "bird" if total == 1 else "birds"
    return f"{total} {noun} {one_kind}" if one_kind != told and "," not in told else f"{total} {noun}: {told}"


def _groups(lot: FoldedLot, plan: Plan, part: _Part, asked: _Asked, *, done: bool) -> Iterator[Task]:
    """Groups are made up once for a lot; whatever birds are left over wait for nothing."""
    assert lot.hatched_on is not None
    at = date.fromisoformat(lot.hatched_on) + timedelta(days=plan.groups_age)
    status = asked.status(at, plan.checks[-1].tolerance)
    if status is None or not part.bunches or done:
        return
    sexes: Counter[str] = Counter()
    for bunch, count in part.bunches.items():
        sexes[{"male": "male", "female": "female"}.get(bunch.sex or "", "not sure")] += count
    told = ", ".join(f"{sexes[name]} {name}" for name in ("male", "female", "not sure") if sexes[name])
    yield Task(status, at, "groups", "make up groups", lot.name, None, sexes.total(), f"{sexes.total()} birds: {told}")


def _males(yard: Yard, lot: FoldedLot, plan: Plan, part: _Part, asked: _Asked) -> Iterator[Task]:
    """Males that were found and still sit with hens."""
    movers = [check for check in plan.checks if check.move_males]
    if not movers:
        return
    since = opens_on(lot, movers[0]).isoformat()
    found: Counter[tuple[str | None, str]] = Counter()
    for bunch, count in part.bunches.items():
        if bunch.sex == "male" and bunch.sexed_on is not None and bunch.sexed_on >= since and not bunch.grouped:
            found[bunch.pen, bunch.sexed_on] += count
    for pen, tally in part.tallies.items():
        if tally.day >= since:
            found[pen, tally.day] += _males_left(lot, tally, part.loose.get(pen, 0))
    for (pen, day), count in found.items():
        use = yard.pens[pen].use if pen is not None and pen in yard.pens else None
        at = date.fromisoformat(day)
        status = asked.status(at, MALES_WITHIN_DAYS)
        if count and status and use not in ("males", "breeding") and pen in yard.pens_with_hens:
            reason = f"{count} called male on {day} still with hens"
            yield Task(status, at, "males", "move males out", lot.name, pen, count, reason)


def _males_left(lot: FoldedLot, tally: Tally, loose: int) -> int:
    """Males without bands that were counted in a pen and have not left it since."""
    moved = sum(count for day, out, count in lot.males_out if day >= tally.day and out == (tally.pen or ""))
    return max(min(tally.male - moved, loose), 0)
