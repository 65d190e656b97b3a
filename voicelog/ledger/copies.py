"""A ledger copied whole: a backup while a session may be writing, and back again."""

from __future__ import annotations

import os
import secrets
import sqlite3
from contextlib import closing
from pathlib import Path

from voicelog.ledger import sqlite
from voicelog.ledger.merge import new_device, read_sound
from voicelog.ledger.store import Ledger
from voicelog.values import VoicelogError


def backup(ledger: Ledger, to: Path) -> None:
    """Copy the ledger to a new file, consistent whoever is writing meanwhile (SQLite's online backup).

    The file appears whole or not at all. Raises VoicelogError where it is there already or cannot be written.
    """
    _copy(ledger.db.conn, to)


def restore(source: Path, to: Path) -> Ledger:
    """A ledger at a new place from a backup, once it is found sound; it writes under a device id of its own.

    Raises VoicelogError where the backup is not sound, or a ledger is at `to` already: merge into that one.
    """
    read_sound(source)
    with closing(sqlite.connect(source, must_exist=True)) as found:
        _copy(found.conn, to)
    ledger = Ledger.open(to, must_exist=True)
    with sqlite.writing(ledger.db, to):
        new_device(ledger.db.conn)
    ledger.read_identity()
    return ledger


def _copy(conn: sqlite3.Connection, to: Path) -> None:
    if to.exists():
        raise VoicelogError(f"{to} is there already; give a new place, or take another ledger in with voicelog merge")
    if not to.parent.is_dir():
        raise VoicelogError(f"there is no folder {to.parent}: make it, or give another place")
    part = to.with_name(f".{to.name}-{secrets.token_hex(4)}")
    try:
        with sqlite.plainly(to), closing(sqlite3.connect(part)) as copy:
            conn.backup(copy, pages=1000, sleep=0.01)
            copy.execute("PRAGMA journal_mode=DELETE")
        # Opened for writing, since Windows syncs no other file.
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.rename(to)
    finally:
        part.unlink(missing_ok=True)
