"""Moving a kept ledger to a newer shape."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from voicelog.ledger import Banded, CallMade, Draft, Ledger, SessionStarted, migrate, new_id
from voicelog.ledger.merge import merge
from voicelog.ledger.rows import said_columns
from voicelog.values import Call, VoicelogError

if TYPE_CHECKING:
    from sqlite_utils import Database


@pytest.fixture
def old_ledger(tmp_path: Path) -> Path:
    path = tmp_path / "yard.db"
    with Ledger.open(path) as ledger:
        ledger.append(Draft(id=new_id(), session="s", fact=CallMade(call=Call(band=42, sex="male"))))
    return path


def _add_pens(db: Database) -> None:
    db.executescript("CREATE TABLE pen (name TEXT PRIMARY KEY) STRICT; INSERT INTO pen VALUES ('6');")


def _break_halfway(db: Database) -> None:
    _add_pens(db)
    db.execute("INSERT INTO nowhere VALUES (1)")


def _later(monkeypatch: pytest.MonkeyPatch, *migrations: Callable[[Database], None]) -> None:
    monkeypatch.setattr(migrate, "MIGRATIONS", (*migrate.MIGRATIONS, *migrations))


def _version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as raw:
        return int(raw.execute("PRAGMA user_version").fetchone()[0])


def test_an_old_ledger_is_brought_up_to_date_once(old_ledger: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _later(monkeypatch, _add_pens)
    for _ in range(2):  # a second run of the migration would fail: the table is there
        with Ledger.open(old_ledger) as ledger:
            assert ledger.db.execute("SELECT name FROM pen").fetchall() == [("6",)]
            assert ledger.verify() == []
            assert len(list(ledger.events())) == 1
    assert _version(old_ledger) == len(migrate.MIGRATIONS)


def test_a_migration_refolds_the_tables(old_ledger: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(sqlite3.connect(old_ledger)) as raw:
        raw.execute("DROP TABLE bird")
        raw.execute("UPDATE called SET state = 'voided'")
        raw.commit()
    _later(monkeypatch, _add_pens)
    with Ledger.open(old_ledger) as ledger:
        assert ledger.db.execute("SELECT sex FROM bird").fetchall() == [("male",)]
        assert ledger.db.execute("SELECT sex, state FROM call").fetchall() == [("male", "effective")]


def test_a_new_ledger_goes_through_all_migrations(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _later(monkeypatch, _add_pens)
    with Ledger.open(tmp_path / "new.db") as ledger:
        assert ledger.db.execute("SELECT name FROM pen").fetchall() == [("6",)]
    assert _version(tmp_path / "new.db") == len(migrate.MIGRATIONS)


def test_a_failed_migration_leaves_the_old_ledger(old_ledger: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    released = _version(old_ledger)
    with monkeypatch.context() as newer:
        _later(newer, _break_halfway)
        with pytest.raises(VoicelogError, match="nowhere"):
            Ledger.open(old_ledger)
    assert _version(old_ledger) == released
    with Ledger.open(old_ledger) as ledger:
        assert ledger.db.table("pen").exists() is False
        assert ledger.verify() == []
        assert len(list(ledger.events())) == 1


FIRST_VERSION = Path(__file__).parent / "data" / "version_1.db"
"""A ledger as the first version wrote it: two calls, one of them corrected, a void, a note. Never made anew."""


def _as_written(kept: Path, version: int, folder: Path) -> tuple[Path, list[tuple[object, ...]]]:
    """A copy of a ledger of that version, and its events as they stand in it."""
    path = folder / "yard.db"
    shutil.copy(kept, path)
    assert _version(path) == version
    with closing(sqlite3.connect(path)) as raw:
        return path, raw.execute("SELECT id, seq, payload, prev, hash FROM event ORDER BY id").fetchall()


def test_a_ledger_of_the_first_version_is_read_and_goes_on(tmp_path: Path) -> None:
    path, before = _as_written(FIRST_VERSION, 1, tmp_path)
    with Ledger.open(path) as ledger:
        assert _version(path) == len(migrate.MIGRATIONS)
        after = ledger.db.execute("SELECT id, seq, payload, prev, hash FROM event ORDER BY id").fetchall()
        assert after == before and len(before) == 7
        assert ledger.verify() == []
        assert ledger.db.execute("SELECT band, sex, state FROM bird ORDER BY band").fetchall() == [
            (42, "female", "live"),
            (43, "male", "live"),
        ]
        states = ledger.db.execute("SELECT state FROM call ORDER BY id").fetchall()
        assert [state for (state,) in states] == ["superseded", "effective", "effective", "voided"]
        # What was added to a fact since is not written where it is not set: the same session has the same hash today.
        session = next(event for event in ledger.events() if isinstance(event.fact, SessionStarted))
        stored = next(payload for event_id, _, payload, _, _ in before if event_id == session.id)
        assert said_columns(session)["payload"] == stored
        kept = ledger.append(Draft(id=new_id(), session="s", fact=Banded(band=42, lot="A7", pen="3")))
        assert (kept.seq, kept.prev) == (8, before[-1][4])
        assert ledger.verify() == []


def test_a_ledger_of_the_first_version_can_be_merged_as_it_is(tmp_path: Path) -> None:
    with Ledger.open(tmp_path / "yard.db") as ledger:
        old = tmp_path / "old.db"
        shutil.copy(FIRST_VERSION, old)
        assert merge(ledger, old).events == 7
        assert ledger.verify() == []
        assert _version(old) == 1


SECOND_VERSION = FIRST_VERSION.with_name("version_2.db")
"""As the second version wrote it: lot A7, bands 1 to 3 (3 replaced by 13, 2 sold), calls, a fix, a tally. Never
made anew."""


def test_a_ledger_of_the_second_version_is_read_and_goes_on(tmp_path: Path) -> None:
    path, before = _as_written(SECOND_VERSION, 2, tmp_path)
    with closing(sqlite3.connect(path)) as raw:
        shown = [raw.execute(f"SELECT * FROM {table}").fetchall() for table in ("bird", "call", "tally", "conflict")]
    with Ledger.open(path) as ledger:
        ask = ledger.db.execute
        assert _version(path) == len(migrate.MIGRATIONS)
        assert ask("SELECT id, seq, payload, prev, hash FROM event ORDER BY id").fetchall() == before
        assert ledger.verify() == []
        assert [ask(f"SELECT * FROM {table}").fetchall() for table in ("bird", "call", "tally", "conflict")] == shown
        assert len(shown[0]) == 3 and len(shown[1]) == 3
        assert len(ledger.about_pen("9")) == 2 and len(ledger.about_lot("A7")) == 12
