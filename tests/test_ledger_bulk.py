"""A rebuild takes shortcuts by the thousand; here each is held against the plain way."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import datetime, timedelta
from operator import itemgetter
from pathlib import Path

import orjson
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.bench.ledger import make_yard
from voicelog.flock import yard_now, yard_of
from voicelog.ledger import CallMade, Ledger, fold_birds, local_day, plain_event
from voicelog.ledger.plain import in_order, plain
from voicelog.ledger.table_rows import MOST_VALUES, Table, insert
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
    assert list(in_order(rows, writers)) == expected


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
