"""Opening an SQLite file safely, and telling its errors in plain words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.values import VoicelogError

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID = int.from_bytes(b"vlog")
"""`PRAGMA application_id` of a ledger: marks an SQLite file as ours."""

BUSY_S = 5.0
"""How long to wait for another program that is writing, in seconds."""

LOG_PAGES = 8000
"""Pages of 4 kB in the write-ahead log at which it is moved into the file within an append, with two more
fsyncs. SQLite's own 1000 are reached every 60 calls; these are an evening's, so that `tidy` comes first."""

_MAGIC = b"SQLite format 3\0"
_APPLICATION_ID_AT = slice(68, 72)  # https://www.sqlite.org/fileformat.html, section 1.3


def connect(path: Path, *, must_exist: bool) -> Database:
    """A connection to the ledger at `path`, or to a new and still empty file, with nothing written yet.

    Raises VoicelogError, and leaves every file as it was, where `path` is no place for a ledger.
    """
    _check_place(path, must_exist=must_exist)
    from sqlite_utils import Database  # slow to import: only when a ledger is opened

    with plainly(path):
        # isolation_level=None: transactions begin where `writing` says so and nowhere else.
        conn = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        try:
            db = Database(conn, execute_plugins=False)
            db.execute("PRAGMA synchronous=FULL")
            # macOS: flush the disk's own cache too, as fsync alone does not there.
            db.execute("PRAGMA fullfsync=ON")
            db.execute("PRAGMA checkpoint_fullfsync=ON")
            # Some builds overwrite freed pages with zeros. No event is ever deleted, and the tables that are
            # folded anew hold nothing that the events do not: it would only be written for nothing.
            db.execute("PRAGMA secure_delete=OFF")
            # What is sorted, and what a statement would have to undo, in memory: as files they are a quarter
            # of what a large rebuild asks of the system.
            db.execute("PRAGMA temp_store=MEMORY")
            found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found != "ok":
                raise VoicelogError(_damaged(path, found))
        except BaseException:
            conn.close()
            raise
    return db


def use_wal(db: Database, path: Path) -> None:
    """Write-ahead log: a reader never waits for the session that is writing."""
    with plainly(path):
        mode = db.execute("PRAGMA journal_mode=WAL").fetchone()[0]
        db.execute(f"PRAGMA wal_autocheckpoint={LOG_PAGES}")
    if mode != "wal":
        raise VoicelogError(f"{path} lies where SQLite cannot keep a write-ahead log: put the ledger on a local disk")


def tidy(db: Database) -> None:
    """Move the write-ahead log into the file, as far as no other program is in the way; at a moment when nobody waits.

    Nothing is lost where that fails: what was written stays in the log, and the next write tells of a broken disk.
    """
    with suppress(sqlite3.Error):
        db.execute("PRAGMA wal_checkpoint(PASSIVE)")


def discard_empty(path: Path) -> None:
    """Take away the ledger at `path`, to which no connection of this program is open, if it holds no event.

    One that another program has open stays, and so does one that cannot be looked at. (So does any on Windows, where
    a file that is open cannot be taken away.)
    """
    if not path.exists():
        return
    with suppress(sqlite3.Error, OSError), closing(sqlite3.connect(path, timeout=0, isolation_level=None)) as conn:
        if _holds_event(conn):
            return
        # Only the last connection may do away with the write-ahead log, and then lock everybody out.
        if conn.execute("PRAGMA journal_mode=DELETE").fetchone()[0] == "delete":
            conn.execute("BEGIN EXCLUSIVE")
            if not _holds_event(conn):
                path.resolve().unlink()  # a link to where the ledger was to be stays


def _holds_event(conn: sqlite3.Connection) -> bool:
    made = conn.execute("SELECT 1 FROM sqlite_master WHERE name = 'event'").fetchone()
    return made is not None and conn.execute("SELECT 1 FROM event LIMIT 1").fetchone() is not None


@contextmanager
def writing(db: Database, path: Path, *, undo: bool = False) -> Iterator[None]:
    """One transaction: on the disk when the block has ended, undone if it raises (or if that is asked for).

    Raises VoicelogError where SQLite cannot write.
    """
    with plainly(path):
        # IMMEDIATE: wait for another writer here, before anything was read.
        db.conn.execute("BEGIN IMMEDIATE")
        try:
            yield
            if undo:
                db.rollback()
            else:
                db.commit()
        except BaseException:
            db.rollback()
            raise


@contextmanager
def plainly(path: Path) -> Iterator[None]:
    """Turn any error of SQLite in the block, and of values that it cannot hold, into a VoicelogError."""
    try:
        yield
    except UnicodeEncodeError as error:
        raise VoicelogError("a word or name has a broken character in it: give it again without it") from error
    except OverflowError as error:
        raise VoicelogError("a number is far too large: give it again") from error
    except sqlite3.Error as error:
        raise VoicelogError(_plain_words(path, error)) from error


def _plain_words(path: Path, error: sqlite3.Error) -> str:
    # An extended code keeps its primary code in the low byte; an error of the driver itself has none.
    match getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF:
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return f"{path} is being written by another program: let it finish, then try again"
        case sqlite3.SQLITE_FULL:
            return f"no room left on the disk for {path}, nothing was written: free some space, then try again"
        case sqlite3.SQLITE_READONLY | sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return f"{path} or its folder cannot be written: allow writing there, or give another place"
        case sqlite3.SQLITE_NOTADB:
            return f"{path} is not a ledger of voicelog: give another place for the ledger"
        case sqlite3.SQLITE_CORRUPT:
            return _damaged(path, error)
        case _:
            return f"{path} cannot be read or written ({error}): check the disk, then try again"


def _damaged(path: Path, how: object) -> str:
    in_one_line = " ".join(str(how).split())
    return f"{path} is damaged ({in_one_line}): leave it as it is and go back to a copy"


def _check_place(path: Path, *, must_exist: bool) -> None:
    """Look without touching: SQLite itself would leave files beside a database that is not ours."""
    if path.is_dir():
        raise VoicelogError(f"{path} is a folder: give the ledger a file name inside it")
    log = path.with_name(path.name + "-wal")
    if not path.exists():
        if log.exists() and log.stat().st_size > 0:
            # SQLite would delete this log, and with it calls that were read back.
            raise VoicelogError(f"{path} is gone but its log {log.name} is here: put the ledger back beside it")
        if must_exist:
            raise VoicelogError(f"there is no ledger at {path}: start a session first, or give the place of another")
        if not path.parent.is_dir():
            raise VoicelogError(f"there is no folder {path.parent}: make it, or give another place for the ledger")
        return
    try:
        with path.open("rb") as file:
            header = file.read(_APPLICATION_ID_AT.stop)
    except OSError as error:
        raise VoicelogError(f"{path} cannot be read ({error.strerror}): allow reading it, or give another") from error
    if not header and not must_exist:
        return
    ours = header.startswith(_MAGIC) and header[_APPLICATION_ID_AT] == APPLICATION_ID.to_bytes(4)
    if not ours:
        raise VoicelogError(f"{path} is not a ledger of voicelog: give another place for the ledger")
