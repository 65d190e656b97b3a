"""A rebuild takes shortcuts by the thousand; here each is held against the plain way."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterable, Sequence
from contextlib import closing
from datetime import date, datetime, timedelta
from operator import itemgetter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.bench.ledger import make_yard
from voicelog.bookkeeping import fact
from voicelog.flock import yard_now, yard_of
from voicelog.ledger import (
    Banded,
    CallMade,
    Draft,
    Fact,
    FoldedBird,
    Ledger,
    fold_birds,
    halves,
    local_day,
    new_id,
    plain_event,
)
from voicelog.ledger.birds import CallRow, fold_in_passing
from voicelog.ledger.halves import TwoHalves, middle_of
from voicelog.ledger.merge import merge
from voicelog.ledger.plain import LateError, Plain, in_order, late_among, plain
from voicelog.ledger.table_rows import BY_BAND, MOST_VALUES, Table, insert
from voicelog.ledger.tables import _rows_of
from voicelog.values import Call

_values = st.none() | st.integers(0, 9) | st.text(max_size=2)
_several = MOST_VALUES // 3


@settings(max_examples=40)
@given(
    rows=st.lists(st.tuples(st.integers(0, 9), _values, _values), max_size=9),
    times=st.sampled_from([1, _several // 4, _several + 1]),
)
def test_every_row_is_written_gaps_and_all(rows: list[tuple[int, object, object]], times: int) -> None:
    many = rows * times
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as conn:
        conn.execute("CREATE TABLE t (a, b, c)")
        insert(conn, Table("t", ("a", "b", "c")), many)
        found = conn.execute("SELECT a, b, c FROM t").fetchall()
    assert sorted(found, key=repr) == sorted(many, key=repr)


@given(
    at=st.datetimes(min_value=datetime(1999, 1, 1), max_value=datetime(2030, 1, 1)),
    minutes=st.integers(-14 * 60, 14 * 60),
)
def test_a_local_day_is_that_of_the_clock_on_the_wall(at: datetime, minutes: int) -> None:
    hours, rest = divmod(abs(minutes), 60)
    zone = f"{'-' if minutes < 0 else '+'}{hours:02}:{rest:02}"
    local = at + timedelta(minutes=minutes)
    assert local_day(at.strftime("%Y-%m-%dT%H:%M:%S.%fZ"), zone) == local.date().isoformat()


_odd = 'a pen with "on":null in it, \\ and ü'
_payloads = st.one_of(
    st.builds(
        lambda on, pen: CallMade(call=Call(band=1, pen=pen), on=on).model_dump(mode="json"),
        st.none() | st.dates(datetime(2026, 4, 29).date(), datetime(2026, 5, 3).date()),
        st.sampled_from([None, "6", _odd]),
    ),
    st.just({"kind": "void", "target": "x", "v": 1}),
)


@given(
    st.lists(
        st.tuples(
            _payloads,
            st.datetimes(datetime(2026, 5, 1), datetime(2026, 5, 3)),
            st.sampled_from(["+00:00", "+05:30", "-11:00"]),
        ),
        max_size=12,
    )
)
def test_events_in_order_are_those_sorted_by_day(kept: list[tuple[dict[str, object], datetime, str]]) -> None:
    rows = [
        (f"{number:03}", "device", at.strftime("%Y-%m-%dT%H:%M:%S.%fZ"), zone, orjson.dumps(payload).decode())
        for number, (payload, at, zone) in enumerate(kept)
    ]
    writers = {"001": "device/branch"}
    with_session = [(event_id, device, "", *rest) for event_id, device, *rest in rows]
    expected = sorted(plain(with_session, writers), key=itemgetter(4))  # type: ignore[arg-type]
    late = late_among(rows)
    assert list(in_order(rows, writers, late)) == expected
    if late:
        with pytest.raises(LateError):
            list(in_order(rows, writers))
    else:
        assert list(in_order(rows, writers)) == expected


_bands = st.integers(1, 3)
_of_one = st.sampled_from(["banded", "sold", "died", "band_lost"])
_doings = st.one_of(
    st.builds(lambda band, sex: CallMade(call=Call(band=band, sex=sex)), _bands, st.sampled_from([None, "male"])),
    st.builds(lambda band: CallMade(call=Call(band=band, condition="dead")), _bands),
    st.builds(
        lambda kind, band: fact(kind, band=band), st.sampled_from(["banded", "sold", "died", "band_lost"]), _bands
    ),
    st.builds(lambda band, new: fact("band_replaced", band=band, new=new), _bands, _bands),
)


@given(st.lists(st.tuples(_doings, st.integers(0, 9)), max_size=14))
def test_birds_told_when_they_are_gone_are_those_of_the_whole_fold(doings: list[tuple[Fact, int]]) -> None:
    """But for the bands that are named as missed, and those that one bird wore with them."""
    events: list[Plain] = []
    for number, (what, _) in enumerate(doings):
        day = f"2026-05-{sum(later for _, later in doings[: number + 1]) // 4 + 1:02}"
        events.append((f"{number:03}", "device", "", f"{day}T08:00:00Z", day, what.model_dump(mode="json")))
    birds: list[FoldedBird] = []
    calls: list[CallRow] = []
    conflicts, missed = fold_in_passing(events, (set(), set()), birds.append, calls.append)
    whole = fold_birds(events)
    worn = missed.copy()
    for _ in range(3):
        for event in events:
            named = {event[5].get("band"), event[5].get("new")} - {None}
            worn |= named if "new" in event[5] and named & worn else set()

    def known(birds: Iterable[FoldedBird]) -> list[str]:
        return sorted(repr(bird) for bird in birds if bird.first_band not in worn)

    assert known(birds) == known(whole.birds)
    assert [row for row in calls if row[0] not in worn] == [row for row in whole.calls if row[0] not in worn]
    assert [c for c in conflicts if int(c.about[5:]) not in worn] == [
        c for c in whole.conflicts if int(c.about[5:]) not in worn
    ]


def test_what_was_forgotten_or_came_late_is_folded_again(tmp_path: Path) -> None:
    """A call about a bird that was sold, a death before the last check, another day's clock: all in one yard."""
    make_yard(tmp_path / "yard.ledger", 2400)
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        sold = "SELECT first_band FROM bird WHERE state = ? ORDER BY first_band LIMIT 3"
        ledger.rebuild()
        one, other, third = (band for (band,) in ledger.db.execute(sold, ["sold"]))
        day = ledger.db.execute("SELECT gone_on FROM bird WHERE first_band = ?", [other]).fetchone()[0]
        early = date.fromisoformat(day) - timedelta(days=9)
        facts = [
            CallMade(call=Call(band=one, sex="male")),
            fact("died", early, band=other),
            CallMade(call=Call(band=third, weight_g=240), on=early),
            Banded(band=9000, on=date(2199, 1, 1)),
            fact("banded", band=9001),
        ]
        for what in facts:
            ledger.append(Draft(id=new_id(), session="s", fact=what))
        tables = {table: f"SELECT {', '.join(table.columns)} FROM {table.name}" for table in BY_BAND}
        before = [sorted(ledger.db.execute(sql).fetchall(), key=repr) for sql in tables.values()]
        ledger.rebuild()
        assert [sorted(ledger.db.execute(sql).fetchall(), key=repr) for sql in tables.values()] == before
        whole = _rows_of(fold_birds([plain_event(event) for event in ledger.events()]))
        assert [sorted(whole[table], key=repr) for table in tables] == before
        assert len(before[-1]) == 2, "conflicts: a call and a sale of birds that were gone"


def _tables(ledger: Ledger) -> list[list[Any]]:
    """Rows of all tables that a rebuild folds."""
    names = ("called", "bird", "conflict", "tally", "writer")
    return [sorted(ledger.db.execute(f"SELECT * FROM {name}").fetchall(), key=repr) for name in names]


def _in_halves(patch: pytest.MonkeyPatch, command: Sequence[str] = ()) -> list[Any]:
    """From now on every rebuild is one of two halves. What comes from the process goes into the list that is
    returned; `command`, where given, is run in its stead."""
    came: list[Any] = []
    told = TwoHalves.told

    def noted(two: TwoHalves) -> Any:
        came.append(told(two))
        return came[-1]

    patch.setattr(TwoHalves, "told", noted)
    patch.setattr(halves, "MANY", 1)
    patch.setattr(halves, "cores", lambda: 2)
    if command:
        patch.setattr(halves, "command_of", lambda *_: list(command))
    return came


_NO_PROGRAM = [f"{__file__}/none"]


@given(st.lists(st.tuples(_doings, st.integers(0, 3)), max_size=14))
def test_two_halves_are_the_whole(doings: list[tuple[Fact, int]]) -> None:
    """Bands that one bird wore in turn, late facts and corrections among them. Where the process does not begin, the
    upper half is folded here: the same, without waiting for a process each time."""
    with TemporaryDirectory() as folder, Ledger.open(Path(folder) / "yard.ledger") as ledger:
        ledger.db.execute("PRAGMA synchronous=OFF")
        for what, day in doings:
            on = date(2026, 5, 1) + timedelta(days=day)
            made = ledger.append(Draft(id=new_id(), session="s", fact=what.model_copy(update={"on": on})))
            if isinstance(what, CallMade) and day == 0:
                again = CallMade(call=Call(band=what.call.band, sex="female"), supersedes=made.id)
                ledger.append(Draft(id=new_id(), session="s", fact=again))
        ledger.rebuild()
        whole = _tables(ledger)
        with pytest.MonkeyPatch.context() as patch:
            came = _in_halves(patch, _NO_PROGRAM)
            ledger.rebuild()
            assert came == [None] * (middle_of(ledger.db.conn) is not None)
            assert _tables(ledger) == whole


def _yard_of_all_sorts(path: Path) -> None:
    """A yard with a band that was replaced, a conflict, a late fact, a void and a tally."""
    make_yard(path, 2400)
    with Ledger.open(path) as ledger:
        ledger.rebuild()
        low, other, high = 7, 8, 599
        day = ledger.db.execute("SELECT gone_on FROM bird WHERE first_band = ?", [other]).fetchone()[0]
        call = ledger.append(Draft(id=new_id(), session="s", fact=CallMade(call=Call(band=high, sex="male"))))
        for what in [
            fact("banded", band=9000),
            fact("band_replaced", band=9000, new=low),
            fact("died", date.fromisoformat(day) - timedelta(days=9), band=other),
            fact("void", target=call.id),
            fact("counted", sex="male", lot="L1", pen="2"),
        ]:
            ledger.append(Draft(id=new_id(), session="s", fact=what))


def test_a_second_process_folds_half_of_a_yard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A name that has to be quoted where it is given to SQLite as an address.
    path = tmp_path / "yard ?#%41 ü.ledger"
    _yard_of_all_sorts(path)
    with Ledger.open(path) as ledger:
        ledger.rebuild()
        whole = _tables(ledger)
        assert all(whole[:4])
        came = _in_halves(monkeypatch)
        ledger.rebuild()
        assert _tables(ledger) == whole
        ((calls, birds, _, _),) = came
        told = sum(count for _, count, _ in calls), sum(count for _, count, _ in birds)
        assert all(len(rows) / 3 < part < len(rows) for rows, part in zip(whole, told, strict=False))


@pytest.mark.parametrize(
    "command",
    [
        _NO_PROGRAM,
        [sys.executable, "-c", "raise SystemExit(3)"],
        [sys.executable, "-c", "import os; os.write(1, bytes(9)); os.kill(os.getpid(), 9)"],
        [sys.executable, "-c", "import time; time.sleep(600)"],
    ],
    ids=["cannot begin", "fails", "dies in the middle", "is stuck"],
)
def test_a_half_that_does_not_come_is_folded_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: list[str]
) -> None:
    _yard_of_all_sorts(tmp_path / "yard.ledger")
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        ledger.rebuild()
        whole = _tables(ledger)
        came = _in_halves(monkeypatch, command)
        monkeypatch.setattr(halves, "STUCK_S", 0.5)
        ledger.rebuild()
        assert came == [None]
        assert _tables(ledger) == whole


def test_no_process_reads_what_is_not_committed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor is one begun where there is one core."""
    make_yard(tmp_path / "theirs.ledger", 2400)
    came = _in_halves(monkeypatch)
    with Ledger.open(tmp_path / "ours.ledger") as ledger:
        assert merge(ledger, tmp_path / "theirs.ledger").events == 2400
        merged = _tables(ledger)
        assert came == []
        ledger.rebuild()
        assert len(came) == 1 and _tables(ledger) == merged
        monkeypatch.setattr(halves, "cores", lambda: 1)
        ledger.rebuild()
        assert len(came) == 1


def test_a_large_yard_is_rebuilt_as_its_events_say(tmp_path: Path) -> None:
    """More birds than go into one statement, against the fold of the checked models."""
    make_yard(tmp_path / "yard.ledger", 2400)
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        ledger.rebuild()
        events = list(ledger.events())
        for table, rows in _rows_of(fold_birds([plain_event(event) for event in events])).items():
            found = ledger.db.execute(f"SELECT {', '.join(table.columns)} FROM {table.name}").fetchall()
            assert found == sorted(rows, key=itemgetter(0, 1))
        assert yard_now(ledger) == yard_of(events)


def test_lots_with_groups_are_found_without_a_look_at_every_bird(tmp_path: Path) -> None:
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        seen: list[str] = []
        ledger.db.conn.set_trace_callback(seen.append)
        yard_now(ledger)
        (asked,) = [sql for sql in seen if "DISTINCT lot" in sql]
        plan = [row[3] for row in ledger.db.execute(f"EXPLAIN QUERY PLAN {asked}")]
        assert "bird_group" in plan[0]
