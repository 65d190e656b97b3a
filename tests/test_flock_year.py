"""A year of a yard through the public commands: six lots, four varieties, 1,200 birds, every check.

Ages and methods are those of the trade: breast feathers tell the sex of wild-type plumage from 14 to 18
days on and clearly by 21 (Ernst, Japanese Quail, University of California Extension, from memory); other
plumages are told by the vent at 6, 7 and 8 weeks, groups are made up at 8 weeks, and some hens of the
first vent check are males at the second (all common practice). Eggs hatch in 17 to 18 days (Ernst).

The table at the end was written by hand from those ages and the dates below.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import pytest
from flock_help import Keeper

from voicelog.ledger import Ledger


@dataclass(frozen=True)
class Lot:
    """Eggs are set on `eggs_on` and hatch 17 days later into `pen`; all birds are banded from `first` on.
    `second_check` is the age at which the second vent check is really made."""

    name: str
    variety: str
    eggs_on: date
    eggs: int
    birds: int
    pen: str
    first: int
    second_check: int = 49

    @property
    def hatched(self) -> date:
        return self.eggs_on + timedelta(days=17)

    @property
    def bands(self) -> range:
        return range(self.first, self.first + self.birds)


# Hatched on 18 March, 29 March, 27 April, 7 June, 18 July and 18 August 2025: 1,200 birds.
LOTS = (
    Lot("A", "wild type", date(2025, 3, 1), 260, 220, "1", 1),
    Lot("B", "white", date(2025, 3, 12), 220, 180, "2", 301),
    Lot("C", "heavy wild type", date(2025, 4, 10), 250, 200, "3", 601),
    Lot("D", "self-coloured", date(2025, 5, 21), 250, 210, "4", 901),
    Lot("E", "white", date(2025, 7, 1), 230, 190, "5", 1201, second_check=52),
    Lot("F", "wild type", date(2025, 8, 1), 240, 200, "6", 1501),
)
MALES = "9"


def happenings() -> Iterator[dict[str, object]]:
    yield {"kind": "pen_named", "pen": MALES, "use": "males", "on": "2025-02-28"}
    for lot in LOTS:
        yield from _eggs(lot)
        yield from _feathers(lot) if "wild" in lot.variety else _vents(lot)


def _at(lot: Lot, age: int, kind: str, /, **slots: object) -> dict[str, object]:
    return {"kind": kind, "on": str(lot.hatched + timedelta(days=age)), **slots}


def _eggs(lot: Lot) -> Iterator[dict[str, object]]:
    # Candled on day 7; turning stops on day 14.
    yield _at(lot, -17, "eggs_set", lot=lot.name, variety=lot.variety, count=lot.eggs)
    yield _at(lot, -10, "eggs_tended", lot=lot.name, task="candle", removed=10)
    yield _at(lot, -3, "eggs_tended", lot=lot.name, task="stop turning")
    yield _at(lot, 0, "hatched", lot=lot.name, count=lot.birds, pen=lot.pen)


def _feathers(lot: Lot) -> Iterator[dict[str, object]]:
    """Tallies of birds without bands at 14 and 21 days; the males leave, the hens are banded at 28."""
    males = lot.birds // 2
    for age, unsure in ((14, 20), (21, 0)):
        sexes = ["unsure"] * unsure + ["male"] * (males - unsure) + ["female"] * (lot.birds - males)
        for sex in sexes:
            yield _at(lot, age, "counted", lot=lot.name, pen=lot.pen, sex=sex)
    # Twenty birds were unsure at the first look and are males at 21 days.
    yield _at(lot, 22, "lot_moved", lot=lot.name, from_pen=lot.pen, pen=MALES, count=males, sex="male")
    hens = list(lot.bands)[: lot.birds - males]
    for band in hens:
        yield _at(lot, 28, "banded", band=band, lot=lot.name, pen=lot.pen)
        yield _at(lot, 28, "call", call={"band": band, "sex": "female", "breast": "speckled"})
    for band in hens[:10]:
        yield _at(lot, 56, "grouped", band=band, group=f"G{lot.name}", pen=f"1{lot.pen}")


def _vents(lot: Lot) -> Iterator[dict[str, object]]:
    """All are banded at 40 days; a dozen hens of the first vent check are males at the second."""
    bands = list(lot.bands)
    half = lot.birds // 2
    males, late, hens = bands[: half - 12], bands[half - 12 : half], bands[half:]
    for band in bands:
        yield _at(lot, 40, "banded", band=band, lot=lot.name, pen=lot.pen)
    for band in bands:
        sex = "male" if band in males else "female"
        yield _at(lot, 42, "call", call={"band": band, "sex": sex, "foam": "yes" if sex == "male" else "no"})
    for band in males:
        yield _at(lot, 43, "moved", band=band, pen=MALES, from_pen=lot.pen)
    for band in late + hens:
        sex = "male" if band in late else "female"
        yield _at(
            lot, lot.second_check, "call", call={"band": band, "sex": sex, "foam": "yes" if sex == "male" else "no"}
        )
    for band in late:
        yield _at(lot, lot.second_check + 1, "moved", band=band, pen=MALES, from_pen=lot.pen)
    for band in hens:
        yield _at(lot, 56, "call", call={"band": band, "sex": "female", "foam": "no"})
    yield _at(lot, 57, "died", band=hens[-1], cause="unknown")
    for band in [males[0], *hens[:5]]:
        yield _at(lot, 58, "grouped", band=band, group=f"G{lot.name}", pen=f"1{lot.pen}")


# By date: what `due --on DATE --days 3` lists after all that happened before that date:
# status, due, lot, pen, task, count.
TABLE: dict[str, list[tuple[str, str, str, str | None, str, int]]] = {
    # The eggs of A are set on 1 March: nothing before 8 March less three days.
    "2025-03-04": [],
    "2025-03-05": [("coming", "2025-03-08", "A", None, "candle", 260)],
    "2025-03-08": [("today", "2025-03-08", "A", None, "candle", 260)],
    # Candled on the 8th: 250 are left. Day 14 is the 15th.
    "2025-03-12": [("coming", "2025-03-15", "A", None, "stop turning", 250)],
    # Day 17 is the 18th; B, set on the 12th, is candled on the 19th.
    "2025-03-18": [
        ("today", "2025-03-18", "A", None, "hatch", 250),
        ("coming", "2025-03-19", "B", None, "candle", 220),
    ],
    # A hatched on 18 March: 14 days on 1 April. B hatches on the 29th.
    "2025-03-29": [
        ("today", "2025-03-29", "B", None, "hatch", 210),
        ("coming", "2025-04-01", "A", "1", "first look", 220),
    ],
    # The look was on the 1st; the breast check is on the 8th.
    "2025-04-05": [("coming", "2025-04-08", "A", "1", "breast check", 220)],
    # Counted on the 8th: the 110 males are to go out. C was set on the 10th, so nothing of it yet.
    "2025-04-09": [("today", "2025-04-08", "A", "1", "move males out", 110)],
    # They went on the 9th. C is candled on the 17th.
    "2025-04-14": [("coming", "2025-04-17", "C", None, "candle", 250)],
    # C hatches on 27 April.
    "2025-04-26": [("coming", "2025-04-27", "C", None, "hatch", 240)],
    # B, of 29 March, is 42 days old on 10 May; C is 14 days old on the 11th.
    # A, of 18 March, is 56 days old on the 13th: 110 hens with bands.
    "2025-05-10": [
        ("today", "2025-05-10", "B", "2", "first vent check", 180),
        ("coming", "2025-05-11", "C", "3", "first look", 200),
        ("coming", "2025-05-13", "A", None, "make up groups", 110),
    ],
    # B was called on the 10th, 78 males; they go on the 11th.
    "2025-05-11": [
        ("today", "2025-05-10", "B", "2", "move males out", 78),
        ("today", "2025-05-11", "C", "3", "first look", 200),
        ("coming", "2025-05-13", "A", None, "make up groups", 110),
    ],
    # B at 49 days: the 102 called hens. C at 21 days on the 18th. Groups of A were made up on the 13th.
    "2025-05-17": [
        ("today", "2025-05-17", "B", "2", "second vent check", 102),
        ("coming", "2025-05-18", "C", "3", "breast check", 200),
    ],
    # The dozen late males of B, found on the 17th.
    "2025-05-18": [
        ("today", "2025-05-17", "B", "2", "move males out", 12),
        ("today", "2025-05-18", "C", "3", "breast check", 200),
    ],
    # B at 56 days: 90 hens, and groups from all 180. D, set on the 21st, is candled on the 28th.
    "2025-05-24": [
        ("today", "2025-05-24", "B", None, "make up groups", 180),
        ("today", "2025-05-24", "B", "2", "last vent check", 90),
    ],
    # The hens of C, of 27 April, are 56 days old on 22 June; D, of 7 June, is 14 days old and by the vent.
    "2025-06-21": [("coming", "2025-06-22", "C", None, "make up groups", 100)],
    # D is 42 days old on 19 July. E, set on 1 July, hatched on the 18th: a white, so no look at 14 days.
    "2025-07-16": [
        ("coming", "2025-07-18", "E", None, "hatch", 220),
        ("coming", "2025-07-19", "D", "4", "first vent check", 210),
    ],
    # D at 56 days on 2 August: 105 hens. F was set on 1 August.
    "2025-08-01": [
        ("coming", "2025-08-02", "D", None, "make up groups", 210),
        ("coming", "2025-08-02", "D", "4", "last vent check", 105),
    ],
    # E at 42 days on 29 August; F, of 18 August, is 14 days old on 1 September.
    "2025-08-29": [
        ("today", "2025-08-29", "E", "5", "first vent check", 190),
        ("coming", "2025-09-01", "F", "6", "first look", 200),
    ],
    # E at 49 days on 5 September: 190 less 83 males; F at 21 days on the 8th.
    "2025-09-05": [
        ("today", "2025-09-05", "E", "5", "second vent check", 107),
        ("coming", "2025-09-08", "F", "6", "breast check", 200),
    ],
    # Nobody came to E on the 5th, nor in the two days of grace: on the 8th it is overdue. It is done that day.
    "2025-09-08": [
        ("overdue", "2025-09-05", "E", "5", "second vent check", 107),
        ("today", "2025-09-08", "F", "6", "breast check", 200),
    ],
    # The dozen late males of E, found on the 8th; the 100 males of F, counted on the 8th.
    "2025-09-09": [
        ("today", "2025-09-08", "E", "5", "move males out", 12),
        ("today", "2025-09-08", "F", "6", "move males out", 100),
        ("coming", "2025-09-12", "E", None, "make up groups", 190),
        ("coming", "2025-09-12", "E", "5", "last vent check", 95),
    ],
    # The end of the year: all is done.
    "2025-12-31": [],
}


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> tuple[Keeper, dict[str, list[dict[str, object]]]]:
    """The year, entered day by day; before each date of the table the due list is asked for."""
    folder = tmp_path_factory.mktemp("year")
    keeper = Keeper(folder / "yard.ledger")
    file = folder / "facts.jsonl"
    waiting = sorted(happenings(), key=lambda happened: str(happened["on"]))
    lists = {}
    for day in sorted(TABLE):
        now = [json.dumps(happened) for happened in waiting if str(happened["on"]) < day]
        waiting = [happened for happened in waiting if str(happened["on"]) >= day]
        if now:
            file.write_text("\n".join(now), encoding="utf-8")
            keeper("apply", file)
        listed = keeper("due", "--on", day, "--days", 3, "--json").splitlines()
        lists[day] = [json.loads(line) for line in listed if line.startswith("{")]
    assert not waiting
    return keeper, lists


def test_the_yard_is_that_of_the_task() -> None:
    assert len(LOTS) == 6
    assert len({lot.variety for lot in LOTS}) == 4
    assert sum(lot.birds for lot in LOTS) == 1200
    assert len(TABLE) >= 20


@pytest.mark.parametrize("day", TABLE)
def test_the_due_list_is_that_of_the_table(year: tuple[Keeper, dict[str, list[dict[str, object]]]], day: str) -> None:
    names = ("status", "due", "lot", "pen", "what", "count")
    assert [tuple(task[name] for name in names) for task in year[1][day]] == TABLE[day]


def test_the_reason_names_the_call_before(year: tuple[Keeper, dict[str, list[dict[str, object]]]]) -> None:
    assert year[1]["2025-05-17"][0]["reason"] == "102 birds called hen at 42 days"
    assert year[1]["2025-05-24"][1]["reason"] == "90 birds called hen at 49 days"


def test_the_book_balances_at_the_end(year: tuple[Keeper, dict[str, list[dict[str, object]]]]) -> None:
    keeper, _ = year
    with Ledger.open(keeper.ledger) as ledger:
        assert ledger.verify() == []
        assert ledger.conflicts() == []
        states = dict(ledger.db.execute("SELECT state, count(*) FROM bird GROUP BY 1"))
        changed = ledger.db.execute("SELECT count(*) FROM bird WHERE changed_on IS NOT NULL").fetchone()[0]
    # Banded: the 310 hens of A, C and F, and all 580 of B, D and E; one of each of these died.
    assert states == {"live": 887, "dead": 3}
    assert changed == 3 * 12
    assert f"{sum(lot.birds for lot in LOTS):,}" == "1,200"
    told = keeper("lot", "B")
    assert "12 birds (379-390): male, foam yes" in told
    assert "90 birds (391-480): female, foam no" in told
