"""The store: what append promises, and what happens in the wrong places."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import sqlite_utils  # imported before rights are given up in `unprivileged_folder`

from voicelog.ledger import (
    CallMade,
    CallVoided,
    Draft,
    Fact,
    Ledger,
    ListeningPaused,
    NoteKept,
    SessionFinished,
    SessionStarted,
    ids,
    migrate,
    new_id,
    sqlite,
)
from voicelog.values import Call, Verdict, VoicelogError


def _draft(fact: Fact, session: str = "s") -> Draft:
    return Draft(id=new_id(), session=session, fact=fact, words="said", certainty=0.5, verdict=Verdict.ACCEPT)


def _call(band: int, **slots: object) -> CallMade:
    return CallMade(call=Call.model_validate({"band": band, **slots}))


def _correction(target: str) -> CallMade:
    return _call(42).model_copy(update={"supersedes": target})


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "yard.db") as opened:
        yield opened


# What append promises


def _in_the_file_alone(ledger: Ledger) -> int:
    """How many events are in the file, without its write-ahead log."""
    alone = ledger.path.with_name("alone.db")
    shutil.copy(ledger.path, alone)
    with closing(sqlite3.connect(alone)) as db:
        return int(db.execute("SELECT count(*) FROM event").fetchone()[0])


def test_the_log_is_moved_into_the_file_when_nobody_is_calling(ledger: Ledger) -> None:
    log = ledger.path.with_name("yard.db-wal")
    ledger.db.execute("PRAGMA synchronous=OFF")  # speed: no plug is pulled here
    ledger.append(_draft(SessionStarted(roster=(1, 2))))
    for band in range(1, 101):
        ledger.append(_draft(_call(band, sex="male")))
    assert log.stat().st_size > 4096 * 1000  # where SQLite would have moved it by itself
    assert _in_the_file_alone(ledger) == 1
    ledger.append(_draft(ListeningPaused()))
    assert _in_the_file_alone(ledger) == 102


def test_a_reader_does_not_keep_a_session_from_finishing(ledger: Ledger) -> None:
    with closing(sqlite3.connect(ledger.path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM event").fetchone()
        ledger.append(_draft(_call(42)))
        ledger.append(_draft(SessionFinished(seen=1)))
        assert _in_the_file_alone(ledger) == 0
    ledger.append(_draft(ListeningPaused()))
    assert _in_the_file_alone(ledger) == 3


def test_an_event_comes_back_as_it_was_kept(ledger: Ledger) -> None:
    before = datetime.now(UTC)
    draft = _draft(_call(42, sex="male", weight_g=396.893323750, pen="6"))
    kept = ledger.append(draft)
    assert [kept] == list(ledger.events())
    assert Draft.model_validate(kept.model_dump(include=set(Draft.model_fields))) == draft
    assert (kept.device, kept.seq, kept.prev) == (ledger.device, 1, "0" * 64)
    assert before <= kept.at <= datetime.now(UTC)
    assert kept.zone == kept.at.astimezone().isoformat()[-6:]


def test_rows_are_numbered_and_chained(ledger: Ledger) -> None:
    first, second = ledger.append(_draft(_call(1))), ledger.append(_draft(ListeningPaused()))
    assert (second.seq, second.prev) == (2, first.hash)
    assert ledger.verify() == []


def test_the_live_connection_is_durable(ledger: Ledger) -> None:
    assert ledger.db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert ledger.db.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
    assert ledger.db.execute("PRAGMA secure_delete").fetchone() == (0,)  # nothing is ever deleted
    assert ledger.db.execute("PRAGMA application_id").fetchone() == (sqlite.APPLICATION_ID,)
    assert ledger.db.execute("PRAGMA user_version").fetchone() == (len(migrate.MIGRATIONS),)


def test_append_has_committed_when_it_returns(ledger: Ledger) -> None:
    kept = ledger.append(_draft(_call(42)))
    with closing(sqlite3.connect(ledger.path)) as other:
        assert other.execute("SELECT id FROM event").fetchall() == [(kept.id,)]
    assert not ledger.db.conn.in_transaction


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE event SET words = 'hen'",
        "DELETE FROM event",
        "INSERT OR REPLACE INTO event (id, device, seq, session, at, zone, payload, words, prev, hash)"
        " SELECT id, device, seq, session, at, zone, payload, 'hen', prev, hash FROM event",
    ],
)
def test_no_connection_can_change_an_event(ledger: Ledger, sql: str) -> None:
    kept = ledger.append(_draft(_call(42)))
    with closing(sqlite3.connect(ledger.path)) as raw:
        with pytest.raises(sqlite3.IntegrityError, match="an event is never"):
            raw.execute(sql)
        raw.rollback()
    assert list(ledger.events()) == [kept]


def test_the_same_draft_again_is_kept_once(ledger: Ledger) -> None:
    draft = _draft(_call(42, weight_g=410))
    kept = ledger.append(draft)
    ledger.append(_draft(_call(43)))
    assert ledger.append(draft) == kept
    assert len(list(ledger.events())) == 2


@pytest.mark.parametrize("change", [{"words": "hen"}, {"fact": _call(43)}, {"certainty": None}, {"session": "t"}])
def test_an_id_cannot_be_used_for_something_else(ledger: Ledger, change: dict[str, object]) -> None:
    draft = _draft(_call(42))
    kept = ledger.append(draft)
    with pytest.raises(VoicelogError, match="already kept with other content"):
        ledger.append(draft.model_copy(update=change))
    assert list(ledger.events()) == [kept]


@pytest.mark.parametrize("make", [lambda target: CallVoided(target=target), _correction])
def test_only_a_call_of_this_ledger_can_be_voided_or_corrected(ledger: Ledger, make: Callable[[str], Fact]) -> None:
    note = ledger.append(_draft(NoteKept(band=42)))
    draft = _draft(make(new_id()))
    itself = draft.model_copy(update={"fact": make(draft.id)})
    for wrong in (draft, itself, _draft(make(note.id))):
        with pytest.raises(VoicelogError, match="there is no call"):
            ledger.append(wrong)
    assert list(ledger.events()) == [note]


@pytest.mark.parametrize("change", [{"words": "\ud800"}, {"fact": SessionStarted(roster=(1,), pen="\ud800")}])
def test_text_that_no_file_can_hold_is_refused(ledger: Ledger, change: dict[str, object]) -> None:
    """As an argument of the command line may bring it, in another encoding than UTF-8."""
    with pytest.raises(VoicelogError, match="broken character"):
        ledger.append(_draft(_call(42)).model_copy(update=change))
    assert list(ledger.events()) == []


# Reading


def test_events_can_be_asked_by_session_and_time(ledger: Ledger) -> None:
    a, b = ledger.append(_draft(_call(1), "a")), ledger.append(_draft(_call(2), "b"))
    assert list(ledger.events(session="a")) == [a]
    assert list(ledger.events(since=b.at)) == [b]
    elsewhere = (b.at + timedelta(microseconds=1)).astimezone()
    assert list(ledger.events(since=elsewhere)) == []
    with pytest.raises(VoicelogError, match="zone"):
        ledger.events(since=datetime(2026, 1, 1))


def test_sessions_are_listed_oldest_first(ledger: Ledger) -> None:
    assert ledger.last_session() is None
    for session in ("zulu", "alpha"):
        ledger.append(_draft(SessionStarted(roster=(1, 2)), session))
    ledger.append(_draft(SessionFinished(seen=2), "zulu"))
    assert ledger.sessions() == ["zulu", "alpha"]
    assert ledger.last_session() == "alpha"


def test_a_summary_can_read_while_a_session_is_writing(ledger: Ledger) -> None:
    kept = ledger.append(_draft(_call(42)))
    with sqlite.writing(ledger.db, ledger.path), Ledger.open(ledger.path, must_exist=True) as reader:
        assert list(reader.events()) == [kept]
        assert reader.verify() == []


def test_a_second_writer_is_told_to_wait(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sqlite, "BUSY_S", 0.01)
    with (
        Ledger.open(ledger.path) as second,
        sqlite.writing(ledger.db, ledger.path),
        pytest.raises(VoicelogError, match="written by another program"),
    ):
        second.append(_draft(_call(42)))
    assert list(ledger.events()) == []


def test_two_writers_in_turn_share_one_chain(ledger: Ledger) -> None:
    with Ledger.open(ledger.path) as second:
        kept = [writer.append(_draft(_call(band))) for band, writer in enumerate([ledger, second, ledger], 1)]
    assert [event.seq for event in kept] == [1, 2, 3]
    assert ledger.verify() == []


def test_a_copied_ledger_goes_on_with_its_chain(ledger: Ledger, tmp_path: Path) -> None:
    first = ledger.append(_draft(_call(1)))
    ledger.close()
    copy = tmp_path / "elsewhere" / "copy.db"
    copy.parent.mkdir()
    shutil.copy(ledger.path, copy)
    with Ledger.open(copy, must_exist=True) as moved:
        second = moved.append(_draft(_call(2)))
        assert (second.device, second.seq, second.prev) == (first.device, 2, first.hash)
        assert moved.verify() == []


def test_ids_go_on_after_the_last_event_though_the_clock_was_set_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from_the_future = "0f90000f-0000-7000-8000-000000000000"
    monkeypatch.setattr(ids, "_latest", "")
    with Ledger.open(tmp_path / "yard.db") as ledger:
        ledger.append(_draft(_call(1)).model_copy(update={"id": from_the_future}))
    assert new_id() < from_the_future  # this process has not read that ledger yet
    with Ledger.open(tmp_path / "yard.db"):
        assert new_id() > from_the_future


def test_sounds_have_their_place_beside_the_ledger(ledger: Ledger) -> None:
    event_id = new_id()
    assert ledger.sound_path(event_id) == ledger.path.parent / "yard-sounds" / f"{event_id}.flac"
    with pytest.raises(VoicelogError, match="no event id"):
        ledger.sound_path("../../elsewhere")


# Wrong places and broken files


def _foreign_database(path: Path) -> None:
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA journal_mode=WAL")
        raw.execute("CREATE TABLE event (id TEXT)")


def _newer(path: Path) -> None:
    _ledger_of_calls(path, 3)
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA user_version=99")


def _truncated(path: Path) -> None:
    _ledger_of_calls(path, 3)
    os.truncate(path, path.stat().st_size // 2)


def _overwritten(path: Path) -> None:
    _ledger_of_calls(path, 3)
    content = bytearray(path.read_bytes())
    content[4096 : 5 * 4096] = b"\xa5" * (4 * 4096)
    path.write_bytes(content)


def _last_page_overwritten(path: Path) -> None:
    """Damage that nothing reads while a ledger is opened, unless it is looked for."""
    _ledger_of_calls(path, 3)
    content = path.read_bytes()
    path.write_bytes(content[:-4096] + b"\xa5" * 4096)


def _log_without_its_ledger(path: Path) -> None:
    """As after a kill, when only the log was left behind: it holds calls that were read back."""
    path.with_name(path.name + "-wal").write_bytes(b"calls")


def _ledger_of_calls(path: Path, count: int) -> None:
    with Ledger.open(path) as ledger:
        for band in range(1, count + 1):
            ledger.append(_draft(_call(band)))


@pytest.mark.parametrize("must_exist", [False, True])
@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda path: path.write_text("band four two\n"), "not a ledger"),
        (lambda path: path.write_bytes(b"SQLite format 3\0" + b"\0" * 84), "not a ledger"),
        (_foreign_database, "not a ledger"),
        (Path.mkdir, "is a folder"),
        (_newer, "newer voicelog"),
        (_truncated, "damaged"),
        (_overwritten, "damaged"),
        (_last_page_overwritten, "damaged"),
        (_log_without_its_ledger, "is gone but its log"),
    ],
)
def test_a_wrong_file_is_named_and_left_alone(
    tmp_path: Path, make: Callable[[Path], object], says: str, must_exist: bool
) -> None:
    path = tmp_path / "yard.db"
    make(path)
    before = _snapshot(tmp_path)
    with pytest.raises(VoicelogError, match=says) as raised:
        Ledger.open(path, must_exist=must_exist)
    assert "\n" not in str(raised.value)
    assert _snapshot(tmp_path) == before


def test_no_ledger_is_made_where_one_must_exist(tmp_path: Path) -> None:
    empty = tmp_path / "empty.db"
    empty.touch()
    for path, says in ((tmp_path / "none.db", "there is no ledger"), (empty, "not a ledger")):
        with pytest.raises(VoicelogError, match=says):
            Ledger.open(path, must_exist=True)
    assert _snapshot(tmp_path) == {"empty.db": b""}


def _fail_with(path: Path, *facts: Fact) -> None:
    with pytest.raises(VoicelogError, match="then it failed"), Ledger.open(path) as ledger:
        assert path.exists()
        for fact in facts:
            ledger.append(_draft(fact))
        raise VoicelogError("then it failed")


def test_a_new_ledger_to_which_nothing_could_be_written_leaves_no_file(tmp_path: Path) -> None:
    path = tmp_path / "yard.db"
    _fail_with(path)
    assert _snapshot(tmp_path) == {}
    path.touch()
    _fail_with(path)  # one that was there before stays
    assert path.exists()
    path.unlink()
    link = tmp_path / "link.db"
    link.symlink_to(path)
    _fail_with(link)  # neither is the link lost
    assert link.is_symlink() and not path.exists()
    _fail_with(path, _call(1))
    with Ledger.open(path, must_exist=True) as ledger:
        assert len(list(ledger.events())) == 1


def test_a_new_ledger_that_another_program_opened_stays(tmp_path: Path) -> None:
    path = tmp_path / "yard.db"
    first = Ledger.open(path)
    with Ledger.open(path) as other:
        first.close(keep_empty=False)
        kept = other.append(_draft(_call(1)))
    with Ledger.open(path, must_exist=True) as ledger:
        assert list(ledger.events()) == [kept]


def test_a_ledger_that_is_given_up_while_it_is_opened_is_not_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "yard.db"
    use_wal = sqlite.use_wal

    def given_up(db: sqlite_utils.Database, path: Path) -> None:
        use_wal(db, path)
        path.unlink()

    monkeypatch.setattr(sqlite, "use_wal", given_up)
    with pytest.raises(VoicelogError, match="given up by another program: try again"):
        Ledger.open(path)


def test_a_missing_folder_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(VoicelogError, match="there is no folder"):
        Ledger.open(tmp_path / "typo" / "yard.db")
    assert _snapshot(tmp_path) == {}


def test_a_read_only_folder(unprivileged_folder: Path) -> None:
    unprivileged_folder.chmod(0o555)
    with pytest.raises(VoicelogError, match="cannot be written"):
        Ledger.open(unprivileged_folder / "yard.db")
    assert _snapshot(unprivileged_folder) == {}


def test_a_ledger_in_a_folder_that_became_read_only(unprivileged_folder: Path) -> None:
    path = unprivileged_folder / "yard.db"
    _ledger_of_calls(path, 1)
    before = _snapshot(unprivileged_folder)
    path.chmod(0o444)
    unprivileged_folder.chmod(0o555)
    with pytest.raises(VoicelogError, match="cannot be written"):
        Ledger.open(path)
    assert _snapshot(unprivileged_folder) == before


def test_a_read_only_ledger_takes_no_call(unprivileged_folder: Path) -> None:
    path = unprivileged_folder / "yard.db"
    _ledger_of_calls(path, 1)
    path.chmod(0o444)
    with Ledger.open(path) as ledger:
        with pytest.raises(VoicelogError, match="cannot be written"):
            ledger.append(_draft(_call(42)))
        assert len(list(ledger.events())) == 1


def test_an_unreadable_ledger(unprivileged_folder: Path) -> None:
    path = unprivileged_folder / "yard.db"
    _ledger_of_calls(path, 1)
    path.chmod(0)
    with pytest.raises(VoicelogError, match="cannot be read"):
        Ledger.open(path)


@pytest.fixture
def unprivileged_folder() -> Iterator[Path]:
    """A folder of the user that the test runs as; root, whom no right binds, becomes nobody meanwhile."""
    if os.name != "posix":
        pytest.skip("rights are set otherwise here")
    nobody = 65534
    was_root = os.geteuid() == 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if was_root:
            os.chown(folder, nobody, nobody)
            os.seteuid(nobody)
        try:
            yield folder
        finally:
            if was_root:
                os.seteuid(0)
            folder.chmod(0o755)


def test_a_full_disk_keeps_nothing_of_the_call(ledger: Ledger) -> None:
    """SQLite's own page limit gives the error that a full disk gives, SQLITE_FULL."""
    kept = ledger.append(_draft(_call(1)))
    unlimited = ledger.db.execute("PRAGMA max_page_count").fetchone()[0]
    pages = ledger.db.execute("PRAGMA page_count").fetchone()[0]
    ledger.db.execute(f"PRAGMA max_page_count={pages}")
    with pytest.raises(VoicelogError, match="no room left on the disk"):
        ledger.append(_draft(NoteKept()).model_copy(update={"words": "so much " * 10_000}))
    ledger.db.execute(f"PRAGMA max_page_count={unlimited}")
    assert list(ledger.events()) == [kept]
    after = ledger.append(_draft(_call(2)))
    assert (after.seq, after.prev) == (2, kept.hash)
    assert ledger.verify() == []


def test_a_row_of_an_unknown_kind_is_named(ledger: Ledger) -> None:
    kept = ledger.append(_draft(_call(42)))
    row = {**next(ledger.db.query("SELECT * FROM event")), "seq": 2, "payload": '{"kind":"weather"}'}
    row |= {"id": new_id()}
    ledger.db.table("event").insert({name: row[name] for name in row.keys() - {"kind", "band", "about"}})
    events = ledger.events()
    assert next(events) == kept
    with pytest.raises(VoicelogError, match=f"event {row['id']} in the ledger cannot be read"):
        next(events)


# kill -9


_APPENDS_FOR_EVER = """
import sys
from itertools import count
from voicelog.ledger import CallMade, CallVoided, Draft, Ledger, new_id
from voicelog.values import Call
with Ledger.open(sys.argv[1]) as ledger:
    for n in count():
        call = CallMade(call=Call(band=n % 30 + 1, sex="male"))
        kept = ledger.append(Draft(id=new_id(), session="s", fact=call))
        print(kept.id, flush=True)
        if n % 7 == 3:
            voided = ledger.append(Draft(id=new_id(), session="s", fact=CallVoided(target=kept.id)))
            print(voided.id, flush=True)
"""


def test_what_append_returned_survives_a_kill(tmp_path: Path) -> None:
    """Killed while it works, after a few events or a few dozen; the moment within an append is chance."""
    path = tmp_path / "yard.db"
    told: list[str] = []
    for events_before_the_kill in (1, 12, 2, 25):
        with subprocess.Popen(
            [sys.executable, "-c", _APPENDS_FOR_EVER, path], stdout=subprocess.PIPE, text=True
        ) as run:
            assert run.stdout is not None
            told += [run.stdout.readline().strip() for _ in range(events_before_the_kill)]
            run.kill()
            told += run.stdout.read().split()
        assert run.returncode != 0
        with Ledger.open(path, must_exist=True) as ledger:
            kept = [event.id for event in ledger.events()]
            # At most the one event on its way when the kill came is kept without having been told.
            assert set(told) <= set(kept)
            assert len(kept) - len(told) <= 1
            told = kept
            assert ledger.verify() == []
            assert _tables(ledger) == _rebuilt(ledger)


def _tables(ledger: Ledger) -> list[list[dict[str, object]]]:
    return [list(ledger.db.query(f"SELECT * FROM {table}")) for table in ("call", "bird")]


def _rebuilt(ledger: Ledger) -> list[list[dict[str, object]]]:
    ledger.rebuild()
    return _tables(ledger)


def _snapshot(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() if path.is_file() else b"folder" for path in folder.iterdir()}
