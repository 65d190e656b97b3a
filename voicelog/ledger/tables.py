"""The fold as SQL tables, for commands that must answer at once and for anyone with an SQLite tool.

    called    every call, which bird it is about, and its state: effective, superseded or voided
    call      a view: the same with the slots of the call
    bird      every bird: its band, lot and pen, what is last known of it, whether it lives
    tally     what each session counted of birds without bands
    conflict  facts about birds that cannot all be true
    writer    events of devices that forked, and their branch

They are written in the transaction of the events that change them, and can be
refolded from the events at any time, with the same rows as result. Lots are not
kept as a table: they have few events, which are folded when asked for.
"""

from __future__ import annotations

import gc
import json
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import astuple
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import orjson

from voicelog.ledger.birds import SLOTS, Conflict, FoldedBird, FoldedBirds, corrected_twice, fold_birds, fold_in_passing
from voicelog.ledger.events import CHANGES_NOTHING
from voicelog.ledger.forks import writers
from voicelog.ledger.halves import folding
from voicelog.ledger.lots import FoldedLots, fold_lots, fold_tallies, tally_up
from voicelog.ledger.plain import (
    FOLDED_COLUMNS,
    PLAIN_COLUMNS,
    Half,
    LateError,
    Plain,
    Stored,
    in_order,
    late_among,
    plain,
)
from voicelog.ledger.standing import TAKERS, Standing, standing
from voicelog.ledger.table_rows import (
    BIRD,
    BY_BAND,
    CALLED,
    CONFLICT,
    TALLY,
    Batch,
    Row,
    Rows,
    Table,
    insert,
    replace,
    write,
)

if TYPE_CHECKING:
    from sqlite_utils import Database

_SLOT_COLUMNS = """
    sex TEXT, foam TEXT, gland TEXT, breast TEXT, weight_g REAL, condition TEXT, fate TEXT, pen TEXT
"""
_SCHEMA = f"""
DROP VIEW IF EXISTS call;
DROP TABLE IF EXISTS called;
DROP TABLE IF EXISTS bird;
DROP TABLE IF EXISTS tally;
DROP TABLE IF EXISTS conflict;
DROP TABLE IF EXISTS writer;
CREATE TABLE called (
    band INTEGER NOT NULL, id TEXT NOT NULL, day TEXT NOT NULL, supersedes TEXT NOT NULL, state TEXT NOT NULL,
    bird TEXT,
    PRIMARY KEY (band, id)
) STRICT, WITHOUT ROWID;
CREATE VIEW call AS SELECT
    called.band, called.id, day, {", ".join(f"json_extract(payload, '$.call.{slot}') AS {slot}" for slot in SLOTS)},
    nullif(supersedes, '') AS supersedes, state, bird
FROM called JOIN event USING (id);
CREATE TABLE bird (
    first_band INTEGER NOT NULL, id TEXT NOT NULL, band INTEGER, {_SLOT_COLUMNS},
    entered TEXT, lot TEXT, took_from TEXT, grp TEXT,
    sexed_on TEXT, sexed_at TEXT, changed_on TEXT, last_at TEXT, calls INTEGER NOT NULL,
    state TEXT NOT NULL, gone_on TEXT, PRIMARY KEY (first_band, id)
) STRICT, WITHOUT ROWID;
CREATE TABLE tally (
    session TEXT NOT NULL, lot TEXT, pen TEXT, day TEXT NOT NULL,
    male INTEGER NOT NULL, female INTEGER NOT NULL, unsure INTEGER NOT NULL
) STRICT;
CREATE INDEX tally_session ON tally (session);
CREATE TABLE conflict (
    event TEXT NOT NULL, says TEXT NOT NULL, other TEXT, band INTEGER NOT NULL, PRIMARY KEY (event, says)
) STRICT, WITHOUT ROWID;
CREATE TABLE writer (id TEXT PRIMARY KEY NOT NULL, writer TEXT NOT NULL) STRICT, WITHOUT ROWID;
"""
# Few rows are in these, or they are in the order of the table: kept up while it is written.
_INDEXES = """
CREATE INDEX called_correction ON called (supersedes, state) WHERE supersedes <> '';
CREATE INDEX bird_band ON bird (band) WHERE band IS NOT NULL;
CREATE INDEX bird_live ON bird (lot, pen, sex, sexed_on, grp, state) WHERE state = 'live';
CREATE INDEX bird_group ON bird (grp, lot) WHERE grp IS NOT NULL;
CREATE INDEX bird_pen ON bird (pen) WHERE state = 'live';
"""
# Sorting all rows at once is quicker than finding the place of each.
_SORTED_INDEX = "CREATE INDEX bird_lot ON bird (lot, took_from) WHERE lot IS NOT NULL"

# Bands that an event names: in its call, as the bird's band, as the band that replaces it.
_RING, _NEW = "json_extract(event.payload, '$.band')", "json_extract(event.payload, '$.new')"

# The events :ids and what they void, retract or correct, down the chain.
_BELOW = """
below(id) AS (
    SELECT value FROM json_each(:ids)
    UNION SELECT event.about FROM event JOIN below USING (id) WHERE event.about IS NOT NULL
)"""
# The bands whose birds may change with the events :ids: those that they name, and those that one bird wore in turn.
_BANDS = f"""
WITH RECURSIVE {_BELOW},
named(band) AS (
    -- the plus takes the column's affinity off, with which the indexes of expressions could not be used
    SELECT +event.band FROM event JOIN below USING (id) WHERE event.kind = 'call'
    UNION SELECT {_RING} FROM event JOIN below USING (id) WHERE {_RING} IS NOT NULL AND event.kind <> 'note'
    UNION SELECT {_NEW} FROM event JOIN below USING (id) WHERE {_NEW} IS NOT NULL
    UNION SELECT {_NEW} FROM named JOIN event INDEXED BY event_ring ON {_RING} = named.band WHERE {_NEW} IS NOT NULL
    UNION SELECT {_RING} FROM named JOIN event INDEXED BY event_new ON {_NEW} = named.band
)
SELECT band FROM named
"""
# The bands :bands and those that the birds which wore them wore in turn.
_SAME_BIRDS = f"""
WITH RECURSIVE named(band) AS (
    SELECT value FROM json_each(:bands)
    UNION SELECT {_NEW} FROM named JOIN event INDEXED BY event_ring ON {_RING} = named.band WHERE {_NEW} IS NOT NULL
    UNION SELECT {_RING} FROM named JOIN event INDEXED BY event_new ON {_NEW} = named.band
)
SELECT band FROM named
"""
# All facts about the birds of the bands :bands, and whatever voids or corrects them: enough to fold them alone.
_DECIDING = f"""
WITH RECURSIVE named(band) AS (SELECT value FROM json_each(:bands)),
deciding(id) AS (
    SELECT event.id FROM named JOIN event ON event.band = named.band
    UNION SELECT event.id FROM named JOIN event ON {_RING} = named.band
    UNION SELECT event.id FROM named JOIN event ON {_NEW} = named.band
    UNION SELECT event.id FROM event JOIN deciding ON event.about = deciding.id
)
SELECT {PLAIN_COLUMNS} FROM deciding JOIN event USING (id) ORDER BY event.id
"""
_TALLIED = f"""
WITH RECURSIVE {_BELOW}
SELECT DISTINCT session FROM event JOIN below USING (id) WHERE event.kind = 'counted'
"""
_COUNTS = f"""
WITH RECURSIVE counts(id) AS (
    SELECT event.id FROM json_each(:sessions) AS asked JOIN event ON event.session = asked.value
    WHERE event.kind = 'counted'
    UNION SELECT event.id FROM event JOIN counts ON event.about = counts.id
)
SELECT {PLAIN_COLUMNS} FROM counts JOIN event USING (id) ORDER BY event.id
"""
_AND_WHAT_BECAME_OF_THEM = f"""
    UNION SELECT event.id FROM event JOIN found ON event.about = found.id
)
SELECT {PLAIN_COLUMNS} FROM found JOIN event USING (id) ORDER BY event.id
"""
_ABOUT_PEN = f"""
WITH RECURSIVE found(id) AS (
    SELECT id FROM event INDEXED BY event_pen WHERE json_extract(payload, '$.pen') = :pen
    UNION SELECT id FROM event INDEXED BY event_from_pen WHERE json_extract(payload, '$.from_pen') = :pen
    UNION SELECT id FROM event INDEXED BY event_call_pen WHERE json_extract(payload, '$.call.pen') = :pen
    UNION SELECT event.id FROM event AS begun INDEXED BY event_pen JOIN event ON event.session = begun.session
    WHERE json_extract(begun.payload, '$.pen') = :pen AND begun.kind = 'session_started'
    {_AND_WHAT_BECAME_OF_THEM}"""
_NAMES_PEN = """
SELECT EXISTS (
    SELECT 1 FROM event INDEXED BY event_pen WHERE json_extract(payload, '$.pen') = :pen AND kind <> 'session_started'
) OR EXISTS (
    SELECT 1 FROM event INDEXED BY event_from_pen WHERE json_extract(payload, '$.from_pen') = :pen
) OR EXISTS (
    SELECT 1 FROM event INDEXED BY event_call_pen WHERE json_extract(payload, '$.call.pen') = :pen
)
"""
# How a session about a lot went. Its calls may be about birds of other lots.
_ON_THE_WAY = tuple(sorted(CHANGES_NOTHING))
_ABOUT_LOT = f"""
WITH RECURSIVE found(id) AS (
    SELECT id FROM event INDEXED BY event_of_lot WHERE json_extract(payload, '$.lot') = :lot
    UNION SELECT event.id FROM event AS begun INDEXED BY event_of_lot JOIN event ON event.session = begun.session
    WHERE json_extract(begun.payload, '$.lot') = :lot AND begun.kind = 'session_started' AND event.kind IN {_ON_THE_WAY}
    {_AND_WHAT_BECAME_OF_THEM}"""
# Facts about lots and pens, and whatever retracts them.
_LOT_EVENTS = f"""
WITH RECURSIVE lots(id) AS (
    SELECT event.id FROM event WHERE event.kind IN
        ('eggs_set', 'eggs_tended', 'hatched', 'lot_moved', 'lot_less', 'pen_named')
    UNION SELECT event.id FROM event JOIN lots ON event.about = lots.id
)
SELECT {PLAIN_COLUMNS} FROM lots JOIN event USING (id) ORDER BY event.id
"""


_TOGETHER = 500
"""Bands that a rebuild folds again at once: many, for each query costs time, but not so many that memory fills."""


def refresh(db: Database, ids: Sequence[str]) -> None:
    """Bring the tables up to date with the events `ids`, which are already in the table `event`."""
    asked = {"ids": json.dumps(list(ids))}
    bands = [band for (band,) in db.execute(_BANDS, asked)]
    if bands:
        _fold_bands(db, bands, _branches(db))
    sessions = json.dumps([session for (session,) in db.execute(_TALLIED, asked)])
    if sessions != "[]":
        asked = {"sessions": sessions}
        db.execute("DELETE FROM tally WHERE session IN (SELECT value FROM json_each(:sessions))", asked)
        insert(db.conn, TALLY, map(astuple, fold_tallies(_plain(db, _COUNTS, asked)).values()))


def _fold_bands(db: Database, bands: Sequence[int], branches: Mapping[str, str]) -> None:
    """Fold the birds of some bands again. All bands that one bird wore in turn are among them, or none."""
    named, only = json.dumps(bands), frozenset(bands)
    folded = _rows_of(fold_birds(plain(db.execute(_DECIDING, {"bands": named}), branches)))
    for table in BY_BAND:
        replace(db.conn, table, named, [row for row in folded[table] if row[table.of_band] in only])


def rebuild(db: Database, committed: Path | None = None) -> None:
    """Drop the tables and fold them again from all events.

    `committed` is the ledger's file, where every event is in it and not just in the caller's transaction, in which
    nobody else can write: of many events a second process, which reads that file, then folds half.
    """
    with _millions_of_tuples():
        _rebuild(db, committed)


def _rebuild(db: Database, committed: Path | None) -> None:
    with folding(db.conn, committed) as halves:
        db.executescript(_SCHEMA + _INDEXES)
        known = decided(db.conn)
        branches, (gone, _) = known
        db.conn.executemany("INSERT INTO writer VALUES (?, ?)", branches.items())
        again = _write(db, folded(db.conn, known, None if halves is None else halves.lower))
        if halves is not None:
            again |= _write(db, halves.told() or folded(db.conn, known, halves.upper))
    while again:
        some = json.dumps(list(islice(again, _TOGETHER)))
        bands = [band for (band,) in db.execute(_SAME_BIRDS, {"bands": some})]
        _fold_bands(db, bands, branches)
        again.difference_update(bands)
    counts = plain(db.execute(f"SELECT {PLAIN_COLUMNS} FROM event WHERE event.kind = 'counted'"), branches)
    insert(db.conn, TALLY, map(astuple, tally_up(counts, gone).values()))
    db.execute(_SORTED_INDEX)


Decided = tuple[dict[str, str], Standing]
"""The branches of devices that forked, by event, and which events stand."""

Folded = tuple[Iterable[Batch], Iterable[Batch], list[Row], set[int]]
"""The rows of all calls, of all birds and of conflicts, and the bands to fold again."""


def decided(conn: sqlite3.Connection) -> Decided:
    """What must be known of all events before the first is folded."""
    forked = "SELECT device FROM head GROUP BY device HAVING count(*) > 1"
    branches = writers(
        conn.execute(f"SELECT id, device, prev, hash FROM event WHERE device IN ({forked}) ORDER BY device, seq, hash")
    )
    takers = conn.execute("SELECT id, payload FROM event WHERE about IS NOT NULL")
    return branches, standing((event_id, orjson.loads(payload)) for event_id, payload in takers)


def folded(conn: sqlite3.Connection, known: Decided, half: Half | None = None) -> Folded:
    """What all events add up to, or those of one half."""
    branches, stands = known
    columns = FOLDED_COLUMNS
    # Birds do not depend on who wrote, where one device wrote everything.
    if conn.execute("SELECT count(*) FROM head").fetchone()[0] == 1:
        columns = columns.replace("event.device", "''")

    def stored() -> Iterator[Stored]:
        return conn.execute(f"SELECT {columns} FROM event ORDER BY event.id")

    def fold(events: Iterator[Plain]) -> Folded:
        calls, birds = Rows(CALLED), Rows(BIRD)
        conflicts, again = fold_in_passing(events, stands, lambda bird: birds.add(_bird_row(bird)), calls.add)
        return calls.taken(), birds.taken(), _conflict_rows(conflicts), again

    try:
        return fold(in_order(stored(), branches, half=half))
    except LateError:
        return fold(in_order(stored(), branches, late_among(stored(), half), half))


def _write(db: Database, rows: Folded) -> set[int]:
    """Write what was folded; the bands to fold again."""
    calls, birds, conflicts, again = rows
    write(db.conn, CALLED, calls)
    write(db.conn, BIRD, birds)
    insert(db.conn, CONFLICT, conflicts)
    return again


@contextmanager
def _millions_of_tuples() -> Iterator[None]:
    """No garbage is made that only the collector could free, and it would look through every tuple again and again."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def lots_now(db: Database) -> FoldedLots:
    """The lots and pens, folded from their events."""
    return fold_lots(_plain(db, _LOT_EVENTS), banded_out(db), lambda lot, pen: _last_banding(db, lot, pen))


def about_band(db: Database, band: int) -> list[Plain]:
    """All facts about the birds that wore a band, and about the other bands they wore; sorted by id."""
    bands = json.dumps([found for (found,) in db.execute(_SAME_BIRDS, {"bands": json.dumps([band])})])
    return _plain(db, _DECIDING, {"bands": bands})


def about_pen(db: Database, pen: str) -> list[Plain]:
    """All facts that name a pen, and all of sessions about it; sorted by id."""
    return _plain(db, _ABOUT_PEN, {"pen": pen})


def names_pen(db: Database, pen: str) -> bool:
    """Whether any fact names a pen, besides that a session about it began."""
    return bool(db.execute(_NAMES_PEN, {"pen": pen}).fetchone()[0])


def about_lot(db: Database, lot: str) -> list[Plain]:
    """All facts that name a lot, all about the birds that were banded out of it, and how sessions about it went;
    sorted by id."""
    bands = [band for (band,) in db.execute("SELECT DISTINCT first_band FROM bird WHERE lot = ?", [lot])]
    named = json.dumps([band for (band,) in db.execute(_SAME_BIRDS, {"bands": json.dumps(bands)})])
    of_bands = _plain(db, _DECIDING, {"bands": named})
    about: dict[str, str] = {}
    ours = {bird.id for bird in fold_birds(of_bands, about).birds if bird.lot == lot}
    found = {event[0]: event for event in _plain(db, _ABOUT_LOT, {"lot": lot})}
    found |= {event[0]: event for event in of_bands if about.get(event[0]) in ours}
    # What takes one of them back, or takes that back.
    for event in of_bands:
        if event[5]["kind"] in TAKERS and event[5]["target"] in found:
            found[event[0]] = event
    return [found[event_id] for event_id in sorted(found)]


def conflicts_now(db: Database) -> list[Conflict]:
    """What cannot all be true: of birds, of calls corrected apart, of lots."""
    found = db.execute("SELECT event, other, band, says FROM conflict ORDER BY event, says")
    birds = [Conflict(event, other, f"band {band}", says) for event, other, band, says in found]
    corrections = db.execute("SELECT supersedes, id, band FROM called WHERE supersedes <> '' AND state = 'effective'")
    return [*birds, *corrected_twice(corrections), *lots_now(db).conflicts]


def banded_out(db: Database) -> dict[str, dict[str | None, int]]:
    """By lot and pen, how many birds were banded out of it."""
    found = db.execute("SELECT lot, took_from, count(*) FROM bird WHERE lot IS NOT NULL GROUP BY lot, took_from")
    banded: dict[str, dict[str | None, int]] = defaultdict(dict)
    for lot, pen, count in found:
        banded[lot][pen] = count
    return dict(banded)


def _last_banding(db: Database, lot: str, pen: str | None) -> tuple[str, str] | None:
    """(day, event) of the last banding that took a bird of a lot out of a pen."""
    sql = (
        f"SELECT {PLAIN_COLUMNS} FROM bird JOIN event ON event.id = bird.entered "
        "WHERE bird.lot = :lot AND bird.took_from IS :pen"
    )
    return max(((event[4], event[0]) for event in _plain(db, sql, {"lot": lot, "pen": pen})), default=None)


def _plain(db: Database, sql: str, asked: dict[str, Any] | None = None) -> list[Plain]:
    return plain(db.execute(sql, asked or {}), _branches(db))


def _branches(db: Database) -> dict[str, str]:
    return dict(db.execute("SELECT id, writer FROM writer"))


def _rows_of(folded: FoldedBirds) -> dict[Table, list[Row]]:
    """What was folded, as rows of each table."""
    return {
        CALLED: list(folded.calls),
        BIRD: [_bird_row(bird) for bird in folded.birds],
        CONFLICT: _conflict_rows(folded.conflicts),
    }


def _conflict_rows(conflicts: Iterable[Conflict]) -> list[Row]:
    # One conflict may come up twice; the later one holds.
    rows = {(c.event, c.says): (c.event, c.says, c.other, int(c.about.removeprefix("band "))) for c in conflicts}
    return list(rows.values())


def _bird_row(bird: FoldedBird) -> Row:
    known = bird.known.get
    return (
        bird.first_band, bird.id, bird.band,
        known("sex"), known("foam"), known("gland"), known("breast"), known("weight_g"),
        known("condition"), known("fate"), known("pen"),
        bird.entered, bird.lot, bird.took_from, bird.group,
        bird.sexed_on, bird.sexed_at, bird.changed_on, bird.last_at, bird.calls,
        bird.state, bird.gone_on,
    )  # fmt: skip
