"""The fold as SQL tables, for the summary and for anyone with an SQLite tool.

    call   every call with its state: effective, superseded or voided
    bird   what is last known of each band, from its effective calls

They are written in the transaction of the event that changes them, and can be
refolded from the events at any time, with the same rows as result.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from voicelog.ledger.events import CallMade, CallVoided, Event
from voicelog.ledger.project import Bird, KeptCall, fold
from voicelog.ledger.rows import SELECT, to_event, utc_text

if TYPE_CHECKING:
    from sqlite_utils import Database

_SLOTS = """
    sex TEXT, foam TEXT, gland TEXT, breast TEXT, weight_g REAL, condition TEXT, fate TEXT, pen TEXT
"""
_SCHEMA = f"""
DROP TABLE IF EXISTS call;
DROP TABLE IF EXISTS bird;
CREATE TABLE call (
    band INTEGER NOT NULL, id TEXT NOT NULL, session TEXT NOT NULL, at TEXT NOT NULL, {_SLOTS},
    supersedes TEXT, state TEXT NOT NULL, PRIMARY KEY (band, id)
) STRICT, WITHOUT ROWID;
CREATE TABLE bird (
    band INTEGER PRIMARY KEY NOT NULL, {_SLOTS}, sexed_at TEXT, last_at TEXT NOT NULL, calls INTEGER NOT NULL
) STRICT;
"""

# The event :id and the calls that it voids or corrects, down the chain of corrections.
_BELOW = """
below(id) AS (
    SELECT :id
    UNION SELECT event.about FROM event JOIN below USING (id) WHERE event.about IS NOT NULL
)"""
# The bands whose calls may change state with event :id.
_BANDS = f"""
WITH RECURSIVE {_BELOW}
SELECT DISTINCT band FROM event JOIN below USING (id) WHERE band IS NOT NULL
"""
# All calls of those bands, and whatever voids or corrects them: enough to fold these bands alone.
_DECIDING = f"""
WITH RECURSIVE {_BELOW},
deciding(id) AS (
    SELECT id FROM event
    WHERE band IN (SELECT band FROM event JOIN below USING (id) WHERE band IS NOT NULL)
    UNION SELECT event.id FROM event JOIN deciding ON event.about = deciding.id
)
{SELECT} JOIN deciding USING (id)
"""


def refresh(db: Database, event: Event) -> None:
    """Bring the tables up to date with `event`, which is already in the table `event`."""
    if not isinstance(event.fact, CallMade | CallVoided):
        return
    bands = {band for (band,) in db.execute(_BANDS, {"id": event.id})}
    book = fold(map(to_event, db.query(_DECIDING, {"id": event.id})))
    _write_calls(db, (call for call in book.calls if call.band in bands))
    _write_birds(db, (book.birds[band] for band in bands & book.birds.keys()))
    for band in bands - book.birds.keys():
        db.table("bird").delete_where("band = ?", [band])


def rebuild(db: Database) -> None:
    """Drop the tables and fold them again from all events."""
    db.executescript(_SCHEMA)
    book = fold(map(to_event, db.query(SELECT)))
    _write_calls(db, book.calls)
    _write_birds(db, book.birds.values())


def _write_calls(db: Database, calls: Iterable[KeptCall]) -> None:
    db.table("call").insert_all((_call_row(call) for call in calls), replace=True)


def _write_birds(db: Database, birds: Iterable[Bird]) -> None:
    db.table("bird").insert_all((_bird_row(bird) for bird in birds), replace=True)


def _call_row(kept: KeptCall) -> dict[str, Any]:
    return {
        "id": kept.id,
        "session": kept.session,
        "at": utc_text(kept.at),
        **kept.call.model_dump(exclude={"colour"}),
        "supersedes": kept.supersedes,
        "state": kept.state,
    }


def _bird_row(bird: Bird) -> dict[str, Any]:
    return {
        **bird.known.model_dump(exclude={"colour"}),
        "sexed_at": None if bird.sexed_at is None else utc_text(bird.sexed_at),
        "last_at": utc_text(bird.last_at),
        "calls": len(bird.calls),
    }
