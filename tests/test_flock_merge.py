"""Merging: union by id in any order, forks of copied ledgers, and conflicts; tables against the pure fold."""

from __future__ import annotations

import random
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import asdict
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.bookkeeping import enter, fact
from voicelog.flock import yard_now, yard_of
from voicelog.ledger import CallMade, CallVoided, Draft, Event, Fact, Ledger, NoteKept, new_id
from voicelog.ledger.copies import backup, restore
from voicelog.ledger.merge import merge
from voicelog.values import Call, VoicelogError

FIRST = date(2026, 5, 1)
Step = tuple[str, int, int, int, int]


def projections(ledger: Ledger) -> list[object]:
    """Everything that is derived, and the events themselves without the bookkeeping of one file."""
    tables = {
        "call": "band, id",
        "bird": "first_band, id",
        "tally": "session, lot, pen",
        "conflict": "event, says",
        "writer": "id",
    }
    shown = [list(ledger.db.query(f"SELECT * FROM {name} ORDER BY {by}")) for name, by in tables.items()]
    lots = ledger.lots()
    return [
        *shown,
        {name: asdict(lot) for name, lot in sorted(lots.lots.items())},
        {name: asdict(pen) for name, pen in sorted(lots.pens.items())},
        lots.conflicts,
        [(event.id, event.fact, event.hash) for event in ledger.events()],
        sorted(ledger.db.execute("SELECT device, seq, hash FROM head").fetchall()),
    ]


def rebuilt(ledger: Ledger) -> list[object]:
    ledger.rebuild()
    return projections(ledger)


@contextmanager
def quick(path: Path) -> Iterator[Ledger]:
    with Ledger.open(path) as ledger:
        ledger.db.execute("PRAGMA synchronous=OFF")  # speed: no plug is pulled here
        yield ledger


def _fact(step: Step, earlier: list[Event]) -> Fact:
    """One of all kinds of facts, about few bands, lots, pens and days, so that they meet again and again."""
    kind, a, b, c, day = step
    on, band, pen, lot = FIRST + timedelta(days=day), a % 3 + 1, str(b % 2 + 1), "AB"[c % 2]
    target = earlier[b % len(earlier)] if earlier else None
    calls = [event for event in earlier if isinstance(event.fact, CallMade)]
    match kind:
        case "call":
            slots = {"sex": ("male", "female", None, None)[b % 4], "pen": (None, "1", "2")[c % 3]}
            slots["condition"] = "dead" if (a, b) == (0, 0) else None
            return CallMade(call=Call.model_validate({"band": band, **slots}), on=on)
        case "correct" if calls:
            return CallMade(call=Call(band=band, sex="female"), on=on, supersedes=calls[b % len(calls)].id)
        case "void" if calls:
            return CallVoided(target=calls[b % len(calls)].id)
        case "retract" if target is not None:
            return fact("retracted", target=target.id, reason="wrong")
        case "banded":
            return fact("banded", on, band=band, lot=lot, pen=pen)
        case "band_replaced":
            return fact("band_replaced", on, band=band, new=b % 4 + 1)
        case "moved":
            return fact("moved", on, band=band, pen=pen, from_pen=(None, None, "1", "2")[c % 4])
        case "grouped":
            return fact("grouped", on, band=band, group=f"G{c % 2}", pen=pen)
        case "note":
            return NoteKept(band=band)
        case "band_lost" | "died" | "sold":
            return fact(kind, on, band=band)
        case "hatched":
            return fact("hatched", on, lot=lot, variety="white", count=b + 1, pen=pen)
        case "eggs_set":
            return fact("eggs_set", on - timedelta(days=17), lot=lot, variety="white", count=a + 1)
        case "lot_moved":
            sex = (None, None, "male")[day % 3]
            return fact("lot_moved", on, lot=lot, count=1, from_pen=pen, pen=str(a % 2 + 1), sex=sex)
        case "lot_less":
            return fact("lot_less", on, lot=lot, count=a % 2 + 1, pen=pen, why=("died", "sold")[day % 2])
        case "eggs_tended":
            return fact("eggs_tended", on - timedelta(days=9), lot=lot, task="candle", removed=b % 4)
        case _:
            return fact("counted", on, sex=("male", "female", "unsure")[a % 3], lot=lot, pen=pen)


KINDS = (
    *("call", "call", "call", "correct", "void", "retract", "banded", "banded", "band_replaced", "moved"),
    *("band_replaced", "moved", "band_lost", "died", "sold", "grouped", "note", "retract"),
    *("hatched", "hatched", "eggs_set", "eggs_tended", "lot_moved", "lot_moved", "lot_less", "counted"),
)
steps = st.lists(
    st.tuples(st.sampled_from(KINDS), st.integers(0, 7), st.integers(0, 7), st.integers(0, 7), st.integers(0, 3)),
    max_size=8,
)


def work(ledger: Ledger, plan: list[Step]) -> None:
    """A session in which everything is kept, contradiction or not, as after a merge."""
    session = new_id()
    earlier = list(ledger.events())
    for step in plan:
        earlier.append(ledger.append(Draft(id=new_id(), session=session, fact=_fact(step, earlier))))


def _about_pen(ledger: Ledger, pen: str) -> list[str]:
    """By a look at every event: those that name a pen, and those that take one of these back or correct it."""
    found: set[str] = set()
    for event in ledger.events():
        told = event.fact.model_dump()
        named = {told.get("pen"), told.get("from_pen"), (told.get("call") or {}).get("pen")}
        if pen in named or {told.get("target"), told.get("supersedes")} & found:
            found.add(event.id)
    return sorted(found)


@given(plan=st.lists(steps, min_size=1, max_size=3), seed=st.integers(0, 99))
@settings(max_examples=30, deadline=None)
def test_tables_kept_up_rebuilt_and_folded_purely_agree(plan: list[list[Step]], seed: int) -> None:
    with tempfile.TemporaryDirectory() as folder, quick(Path(folder) / "yard.ledger") as ledger:
        for session in plan:
            work(ledger, session)
        kept_up = projections(ledger)
        yard = yard_now(ledger)
        asked = {name: [event[0] for event in ledger.about_pen(name)] for name in ("1", "2")}
        assert asked == {name: _about_pen(ledger, name) for name in asked}
        assert rebuilt(ledger) == kept_up
        events = list(ledger.events())
        random.Random(seed).shuffle(events)
        assert yard_of(events + events[:3]) == yard
        assert ledger.verify() == []


@given(
    before=steps, first=steps, fork=steps, other=steps, interleave=st.integers(0, 2**16),
    order=st.permutations(("a", "fork", "b")), again=st.permutations(("a", "fork", "b")),
)  # fmt: skip
@settings(max_examples=12, deadline=None)
def test_devices_merge_in_any_order(
    before: list[Step], first: list[Step], fork: list[Step], other: list[Step], interleave: int,
    order: list[str], again: list[str],
) -> None:  # fmt: skip
    """Two devices and a copy of one that went on apart, writing in any interleaving."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = {key: folder / f"{key}.ledger" for key in ("a", "fork", "b")}
        with quick(paths["a"]) as a:
            work(a, before)
        shutil.copy(paths["a"], paths["fork"])
        plans = {"a": list(first), "fork": list(fork), "b": list(other)}
        chance = random.Random(interleave)
        with quick(paths["a"]) as a, quick(paths["fork"]) as f, quick(paths["b"]) as b:
            ledgers = {"a": a, "fork": f, "b": b}
            while left := [key for key, plan in plans.items() if plan]:
                key = chance.choice(left)
                work(ledgers[key], [plans[key].pop(0)])
        results = []
        for number, taken in enumerate([("a", "fork", "b"), order, [*again, *order]]):
            into = folder / f"into{number}.ledger"
            shutil.copy(paths[taken[0]], into)
            with quick(into) as merged:
                for key in taken[1:]:
                    merge(merged, paths[key])
                results.append(projections(merged))
                assert merge(merged, paths["b"]).events == 0
                assert projections(merged) == rebuilt(merged) == results[-1]
                assert merged.verify() == []
        # Associative: the fork and the other device first, then the first.
        pair, into = folder / "pair.ledger", folder / "into.ledger"
        shutil.copy(paths["fork"], pair)
        shutil.copy(paths["a"], into)
        with quick(pair) as merged:
            merge(merged, paths["b"])
        with quick(into) as merged:
            merge(merged, pair)
            results.append(projections(merged))
        assert all(result == results[0] for result in results)


# What one can see


def _two(tmp_path: Path) -> tuple[Path, Path]:
    """Two barns that know the same three birds."""
    one, two = tmp_path / "one.ledger", tmp_path / "two.ledger"
    with quick(one) as ledger:
        enter(ledger, [fact("banded", FIRST, band=band, lot=None, pen="1") for band in (1, 2, 3)])
    with quick(two) as ledger:
        merge(ledger, one)
    return one, two


@pytest.mark.parametrize(
    ("here", "there", "says"),
    [
        (fact("moved", FIRST, band=1, pen="5"), fact("moved", FIRST, band=1, pen="6"), "in two pens on 2026-05-01"),
        (fact("died", FIRST, band=1), fact("moved", FIRST, band=1, pen="6"), "but its bird died"),
        (fact("banded", FIRST, band=9), fact("banded", FIRST, band=9), "given twice"),
        (
            fact("band_replaced", FIRST, band=1, new=11),
            fact("band_replaced", FIRST, band=1, new=12),
            "but its bird wears 11 instead already",
        ),
        (
            CallMade(call=Call(band=2, sex="male"), on=FIRST),
            CallMade(call=Call(band=2, sex="female"), on=FIRST),
            "called male and female on 2026-05-01",
        ),
        (
            fact("hatched", FIRST, lot="A", variety="white", count=3),
            fact("hatched", FIRST, lot="A", variety="white", count=4),
            "hatched twice",
        ),
    ],
)
def test_facts_that_contradict_are_listed_until_one_is_taken_back(
    tmp_path: Path, here: Fact, there: Fact, says: str
) -> None:
    one, two = _two(tmp_path)
    with quick(one) as ledger:
        enter(ledger, [here])
    with quick(two) as ledger:
        enter(ledger, [there])
    with quick(one) as ledger:
        done = merge(ledger, two)
        (conflict,) = done.conflicts
        assert says in conflict.says
        assert ledger.conflicts() == [conflict]
        enter(ledger, [fact("retracted", target=conflict.event, reason="the other barn is right")])
        assert ledger.conflicts() == []


def test_one_device_may_move_a_bird_twice_a_day(tmp_path: Path) -> None:
    one, _ = _two(tmp_path)
    with quick(one) as ledger:
        enter(ledger, [fact("moved", FIRST, band=1, pen="5")])
        enter(ledger, [fact("moved", FIRST, band=1, pen="6")])
        assert ledger.conflicts() == []


def test_a_copy_that_went_on_apart_is_told_and_gets_a_name_of_its_own(tmp_path: Path) -> None:
    one, copy = tmp_path / "one.ledger", tmp_path / "copy.ledger"
    with quick(one) as ledger:
        enter(ledger, [fact("banded", FIRST, band=1, pen="1")])
        device = ledger.device
    shutil.copy(one, copy)
    for path, pen in ((one, "5"), (copy, "6")):
        with quick(path) as ledger:
            assert ledger.device == device
            enter(ledger, [fact("moved", FIRST, band=1, pen=pen)])
    with quick(one) as ledger:
        done = merge(ledger, copy)
        assert done.forked and done.events == 1
        assert [conflict.says for conflict in done.conflicts] == ["in two pens on 2026-05-01: 5 and 6"]
        assert ledger.device != device
        (kept,) = enter(ledger, [fact("moved", FIRST + timedelta(days=1), band=1, pen="7")])
        assert (kept.device, kept.seq) == (ledger.device, 1)
        assert ledger.verify() == []
    with quick(copy) as ledger:
        assert merge(ledger, one).events == 2
        assert ledger.device not in (device, kept.device)
    # Tampering is found in either branch.
    for seq in (1, 2):
        with closing(sqlite3.connect(one)) as raw:
            raw.execute("DROP TRIGGER IF EXISTS event_no_update")
            raw.execute("UPDATE event SET words = 'hen' WHERE device = ? AND seq = ?", [device, seq])
            raw.commit()
        with Ledger.open(one) as ledger:
            assert {(problem.kind, problem.seq) for problem in ledger.verify()} >= {("altered", seq)}


def _damaged(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])


def _altered(path: Path) -> None:
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("DROP TRIGGER event_no_update")
        raw.execute("UPDATE event SET words = 'hen'")
        raw.commit()


def _newer(path: Path) -> None:
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA user_version=99")


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (_damaged, "damaged"),
        (_altered, "was altered"),
        (_newer, "newer voicelog"),
        (lambda path: path.write_text("band,sex\n"), "not a ledger"),
        (Path.unlink, "there is no ledger"),
    ],
)
def test_a_bad_file_is_not_merged_nor_restored(tmp_path: Path, spoil: Callable[[Path], object], says: str) -> None:
    one, two = _two(tmp_path)
    with closing(sqlite3.connect(two)) as raw:
        raw.execute("PRAGMA journal_mode=DELETE")
    spoil(two)
    with quick(one) as ledger:
        before = projections(ledger)
        with pytest.raises(VoicelogError, match=says):
            merge(ledger, two)
        assert projections(ledger) == before
    with pytest.raises(VoicelogError, match=says):
        restore(two, tmp_path / "new.ledger")
    assert not (tmp_path / "new.ledger").exists()


def test_sounds_come_along(tmp_path: Path) -> None:
    one, two = tmp_path / "one.ledger", tmp_path / "two.ledger"
    with quick(two) as ledger:
        (kept,) = enter(ledger, [CallMade(call=Call(band=1, sex="male"))])
        ledger.sound_path(kept.id).parent.mkdir()
        ledger.sound_path(kept.id).write_bytes(b"fLaC")
    with quick(one) as ledger:
        assert merge(ledger, two).sounds == 1
        assert ledger.sound_path(kept.id).read_bytes() == b"fLaC"


def test_a_backup_is_made_while_a_session_writes_and_restored_under_a_new_device(tmp_path: Path) -> None:
    one, safe, again = tmp_path / "one.ledger", tmp_path / "safe.ledger", tmp_path / "again.ledger"
    with quick(one) as session, Ledger.open(one) as other:
        enter(session, [fact("banded", FIRST, band=1, pen="1")])
        backup(other, safe)
        enter(session, [fact("banded", FIRST, band=2, pen="1")])
        with restore(safe, again) as restored:
            assert [event.fact.band for event in restored.events()] == [1]  # type: ignore[union-attr]
            assert restored.device != session.device
            enter(restored, [fact("moved", FIRST, band=1, pen="6")])
        done = merge(session, again)
        assert (done.events, done.forked) == (1, False)
        assert session.verify() == []
        for to, says in ((safe, "is there already"), (tmp_path / "none" / "x", "no folder")):
            with pytest.raises(VoicelogError, match=says):
                backup(other, to)
    assert sorted(path.name for path in tmp_path.glob("*.ledger")) == ["again.ledger", "one.ledger", "safe.ledger"]
