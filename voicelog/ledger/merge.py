"""Two ledgers into one: the union of their events by id.

The order does not matter, nor how often it is done. The other file is only read. Where
both are copies of one ledger that went on apart, their chains are kept as a fork
(`voicelog.ledger.forks`), and this ledger goes on under a device id of its own.
"""

from __future__ import annotations

import secrets
import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voicelog.ledger import migrate, sqlite, tables
from voicelog.ledger.birds import Conflict
from voicelog.ledger.forks import Heads, all_problems
from voicelog.ledger.rows import COLUMNS
from voicelog.ledger.store import Ledger
from voicelog.values import VoicelogError


@dataclass(frozen=True, slots=True)
class Merged:
    """How many events and sounds came in, whether the copies had gone on apart, and what cannot all be true now."""

    events: int
    sounds: int
    forked: bool
    conflicts: tuple[Conflict, ...]


def merge(ledger: Ledger, other: Path) -> Merged:
    """Take all events of the ledger at `other` into `ledger`, and their sounds; all of it, or nothing.

    Raises VoicelogError where there is no ledger, or one that is damaged, altered, or from a
    newer version, or where the two hold one event with different content.
    """
    rows, heads = read_sound(other)
    with sqlite.writing(ledger.db, ledger.path):
        known = dict(ledger.db.execute("SELECT id, hash FROM event"))
        for row in rows:
            if known.get(row["id"], row["hash"]) != row["hash"]:
                raise VoicelogError(
                    f"event {row['id']} differs between {ledger.path} and {other}: one was altered; "
                    "go back to a copy that verifies"
                )
        new = [row for row in rows if row["id"] not in known]
        insert = f"INSERT INTO event ({', '.join(COLUMNS)}) VALUES ({', '.join(f':{name}' for name in COLUMNS)})"
        ledger.db.conn.executemany(insert, new)
        forked = _join_heads(ledger, heads)
        if new:
            tables.rebuild(ledger.db)
    if new:
        ledger.read_identity()
    return Merged(len(new), _copy_sounds(ledger, other, new), forked, tuple(ledger.conflicts()))


def read_sound(path: Path) -> tuple[list[dict[str, Any]], Heads]:
    """All rows of another ledger and the ends of its chains, once they are found sound; nothing is written there.

    Raises VoicelogError where there is no ledger, or one that is damaged, altered or from a newer version.
    """
    with closing(sqlite.connect(path, must_exist=True)) as db:
        with sqlite.plainly(path):
            version = migrate.version(db)
            if version > len(migrate.MIGRATIONS):
                raise VoicelogError(
                    f"{path} was written by a newer voicelog (version {version}, not {len(migrate.MIGRATIONS)}): "
                    "update voicelog"
                )
            rows = list(db.query(f"SELECT {', '.join(COLUMNS)} FROM event ORDER BY device, seq"))
            heads: dict[str, list[tuple[int, str]]] = {}
            for device, seq, last in db.execute("SELECT device, seq, hash FROM head"):
                heads.setdefault(device, []).append((seq, last))
        wrong = next(all_problems(rows, heads), None)
        if wrong is not None:
            raise VoicelogError(f"{path}: {wrong}; nothing was taken from it: go back to a copy that verifies")
    return rows, heads


def _join_heads(ledger: Ledger, heads: Heads) -> bool:
    """The ends of all chains, both ledgers taken together. Whether this ledger's own chain forked."""
    db = ledger.db
    for device, ends in heads.items():
        db.conn.executemany("INSERT OR IGNORE INTO head VALUES (?, ?, ?)", [(device, last, seq) for seq, last in ends])
    db.execute(
        "DELETE FROM head WHERE EXISTS "
        "(SELECT 1 FROM event WHERE event.device = head.device AND event.seq = head.seq + 1 AND event.prev = head.hash)"
    )
    own = db.execute("SELECT count(*) FROM head WHERE device = ?", [ledger.device]).fetchone()[0]
    if own > 1:
        new_device(db.conn)
    return bool(own > 1)


def new_device(conn: sqlite3.Connection) -> None:
    """From now on the ledger writes under another device id: two files must not go on with one chain."""
    conn.execute("UPDATE meta SET value = ? WHERE key = 'device'", [secrets.token_hex(16)])


def _copy_sounds(ledger: Ledger, other: Path, rows: Sequence[dict[str, Any]]) -> int:
    theirs = other.with_name(f"{other.stem}-sounds")
    if not theirs.is_dir():
        return 0
    copied = 0
    for row in rows:
        sound, here = theirs / f"{row['id']}.flac", ledger.sound_path(row["id"])
        if sound.is_file() and not here.exists():
            here.parent.mkdir(exist_ok=True)
            shutil.copyfile(sound, here)
            copied += 1
    return copied
