"""The shape of the ledger's file, version by version.

`PRAGMA user_version` is the number of migrations that a file has been through.
A later issue adds its migration at the end of `MIGRATIONS` and never changes one
that has been released. Migrations touch what was written for good; the tables
that are derived (`voicelog.ledger.tables`) are refolded after any of them.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from voicelog.ledger.sqlite import APPLICATION_ID

if TYPE_CHECKING:
    from sqlite_utils import Database

Migration = Callable[["Database"], None]

_EVENTS = """
CREATE TABLE meta (key TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL) STRICT, WITHOUT ROWID;

CREATE TABLE event (
    id TEXT PRIMARY KEY NOT NULL,
    device TEXT NOT NULL,
    seq INTEGER NOT NULL CHECK (seq >= 1),
    session TEXT NOT NULL,
    at TEXT NOT NULL,
    zone TEXT NOT NULL,
    payload TEXT NOT NULL CHECK (json_valid(payload)),
    words TEXT NOT NULL,
    certainty REAL,
    engine TEXT,
    verdict TEXT,
    prev TEXT NOT NULL,
    hash TEXT NOT NULL,
    kind TEXT AS (json_extract(payload, '$.kind')),
    band INTEGER AS (json_extract(payload, '$.call.band')),
    -- the call that this event voids or corrects
    about TEXT AS (coalesce(json_extract(payload, '$.target'), json_extract(payload, '$.supersedes'))),
    UNIQUE (device, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX event_session ON event (session, id);
CREATE INDEX event_band ON event (band) WHERE band IS NOT NULL;
CREATE INDEX event_about ON event (about) WHERE about IS NOT NULL;

-- the last row of each device, so that rows cut from the end are missed
CREATE TABLE head (
    device TEXT PRIMARY KEY NOT NULL, seq INTEGER NOT NULL, hash TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TRIGGER event_no_update BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END;
CREATE TRIGGER event_no_delete BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never deleted'); END;
-- INSERT OR REPLACE deletes without asking the trigger above unless recursive_triggers is on
CREATE TRIGGER event_no_replace BEFORE INSERT ON event
WHEN EXISTS (SELECT 1 FROM event WHERE id = NEW.id OR (device = NEW.device AND seq = NEW.seq))
BEGIN SELECT RAISE(ABORT, 'an event is never replaced'); END;
"""


def events(db: Database) -> None:
    """Version 1: events, the heads of their chains, and the id of the device that writes."""
    db.execute(f"PRAGMA application_id={APPLICATION_ID}")
    db.executescript(_EVENTS)
    db.table("meta").insert({"key": "device", "value": secrets.token_hex(16)})


_FORKS = """
ALTER TABLE event RENAME TO event_1;
ALTER TABLE head RENAME TO head_1;

CREATE TABLE event (
    id TEXT PRIMARY KEY NOT NULL,
    device TEXT NOT NULL,
    seq INTEGER NOT NULL CHECK (seq >= 1),
    session TEXT NOT NULL,
    at TEXT NOT NULL,
    zone TEXT NOT NULL,
    payload TEXT NOT NULL CHECK (json_valid(payload)),
    words TEXT NOT NULL,
    certainty REAL,
    engine TEXT,
    verdict TEXT,
    prev TEXT NOT NULL,
    hash TEXT NOT NULL,
    kind TEXT AS (json_extract(payload, '$.kind')),
    band INTEGER AS (json_extract(payload, '$.call.band')),
    -- the event that this event voids, retracts or corrects
    about TEXT AS (coalesce(json_extract(payload, '$.target'), json_extract(payload, '$.supersedes')))
) STRICT, WITHOUT ROWID;
INSERT INTO event (id, device, seq, session, at, zone, payload, words, certainty, engine, verdict, prev, hash)
    SELECT id, device, seq, session, at, zone, payload, words, certainty, engine, verdict, prev, hash FROM event_1;

-- the rows that end the chains of each device: one, or one for each copy of the ledger that went on apart
CREATE TABLE head (
    -- the columns of the key come first: quick_check of SQLite 3.40 finds fault with another order
    device TEXT NOT NULL, hash TEXT NOT NULL, seq INTEGER NOT NULL, PRIMARY KEY (device, hash)
) STRICT, WITHOUT ROWID;
INSERT INTO head SELECT device, hash, seq FROM head_1;
DROP TABLE event_1;
DROP TABLE head_1;

CREATE INDEX event_chain ON event (device, seq);
CREATE INDEX event_session ON event (session, id);
CREATE INDEX event_band ON event (band) WHERE band IS NOT NULL;
CREATE INDEX event_about ON event (about) WHERE about IS NOT NULL;
CREATE INDEX event_ring ON event (json_extract(payload, '$.band')) WHERE json_extract(payload, '$.band') IS NOT NULL;
CREATE INDEX event_new ON event (json_extract(payload, '$.new')) WHERE json_extract(payload, '$.new') IS NOT NULL;
CREATE INDEX event_lot ON event (kind) WHERE kind IN
    ('eggs_set', 'eggs_tended', 'hatched', 'lot_moved', 'lot_less', 'pen_named');

CREATE TRIGGER event_no_update BEFORE UPDATE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END;
CREATE TRIGGER event_no_delete BEFORE DELETE ON event
BEGIN SELECT RAISE(ABORT, 'an event is never deleted'); END;
CREATE TRIGGER event_no_replace BEFORE INSERT ON event
WHEN EXISTS (SELECT 1 FROM event WHERE id = NEW.id)
BEGIN SELECT RAISE(ABORT, 'an event is never replaced'); END;
"""


def forks(db: Database) -> None:
    """Version 2: the chain of a device may fork, and facts about bands and lots are found at once."""
    db.executescript(_FORKS)


_PLACES = """
-- derived: it is folded anew after the migrations, as a view
DROP TABLE IF EXISTS call;

CREATE INDEX event_pen ON event (json_extract(payload, '$.pen')) WHERE json_extract(payload, '$.pen') IS NOT NULL;
CREATE INDEX event_from_pen ON event (json_extract(payload, '$.from_pen'))
    WHERE json_extract(payload, '$.from_pen') IS NOT NULL;
CREATE INDEX event_call_pen ON event (json_extract(payload, '$.call.pen'))
    WHERE json_extract(payload, '$.call.pen') IS NOT NULL;
CREATE INDEX event_of_lot ON event (json_extract(payload, '$.lot')) WHERE json_extract(payload, '$.lot') IS NOT NULL;
CREATE INDEX event_counted ON event (session) WHERE kind = 'counted';
"""


def places(db: Database) -> None:
    """Version 3: facts about pens and lots are found at once."""
    db.executescript(_PLACES)


MIGRATIONS: Sequence[Migration] = (events, forks, places)


def version(db: Database) -> int:
    """How many migrations the file has been through; 0 for a new one."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def migrate(db: Database) -> None:
    """Bring the file to the newest version. Call it inside a transaction: all of it happens, or nothing."""
    for number, migration in enumerate(MIGRATIONS[version(db) :], start=version(db) + 1):
        migration(db)
        db.execute(f"PRAGMA user_version={number}")
