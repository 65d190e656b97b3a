"""Birds, calls and weights as flat tables, and the files that other programs read."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Literal

from voicelog.ledger import Ledger
from voicelog.values import VoicelogError

What = Literal["birds", "calls", "weights"]
Row = dict[str, Any]

_SLOTS = "sex, foam, gland, breast, weight_g, condition, fate, pen"
_SELECT: dict[What, str] = {
    "birds": f"""
        SELECT id AS bird, band, first_band, lot, grp AS "group", {_SLOTS}, sexed_on, changed_on, calls, state, gone_on
        FROM bird ORDER BY first_band, id""",
    "calls": f"""
        SELECT call.id, call.day, call.band, call.bird, {_SLOTS}, supersedes, state, words, certainty, engine, session
        FROM call JOIN event USING (id) ORDER BY call.day, call.id""",
    # Of a bird that was weighed more than once in a session the last weight holds: the dialogue asked whether it does.
    # A correction is of the session of the call that it corrects, and said when that was. What commands entered
    # together is no session, and may be the weights of many days.
    "weights": """
        WITH RECURSIVE said (id, first) AS (
            SELECT id, id FROM called WHERE supersedes = '' OR supersedes NOT IN (SELECT id FROM event)
            UNION ALL SELECT called.id, said.first FROM said
            JOIN called INDEXED BY called_correction ON called.supersedes = said.id AND called.supersedes <> ''
        ), known AS MATERIALIZED (
            -- set apart, it gets an index by id for the while; joined as it is, it is gone through for every weight
            SELECT id, lot, sex FROM bird
        ), weighed AS (
            SELECT call.id, call.day, call.band, call.bird, known.lot, known.sex, call.weight_g, row_number() OVER (
                PARTITION BY call.bird,
                    iif(session IN (SELECT session FROM event WHERE kind = 'session_started'), session, call.id)
                ORDER BY said.first DESC, call.id DESC
            ) AS from_last
            FROM call JOIN said ON said.id = call.id JOIN event ON event.id = said.first
            LEFT JOIN known ON known.id = call.bird
            WHERE call.weight_g IS NOT NULL AND call.state = 'effective'
        )
        SELECT day, band, bird, lot, sex, weight_g FROM weighed WHERE from_last = 1 ORDER BY day, id""",
}
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet takes for the beginning of a formula."""


def rows(ledger: Ledger, what: What) -> list[Row]:
    """One table of the ledger, oldest first."""
    return list(ledger.db.query(_SELECT[what]))


def columns(ledger: Ledger, what: What) -> list[str]:
    cursor = ledger.db.execute(f"{_SELECT[what]} LIMIT 0")
    return [name for name, *_ in cursor.description]


def write(ledger: Ledger, what: What, path: Path) -> int:
    """Write one table as the file's ending says: .csv, .jsonl or .parquet. How many rows.

    In CSV a text that a spreadsheet would take for a formula has an apostrophe before it.
    Raises VoicelogError for another ending, a file that cannot be written, a library that is missing.
    """
    found, names = rows(ledger, what), columns(ledger, what)
    writers = {".csv": _csv, ".jsonl": _jsonl, ".parquet": _parquet}
    writer = writers.get(path.suffix.lower())
    if writer is None:
        raise VoicelogError(f"{path}: end the name with .csv, .jsonl or .parquet")
    try:
        writer(path, names, found)
    except OSError as wrong:
        raise VoicelogError(f"{path}: {wrong.strerror or wrong}; give a file in a folder that is there") from wrong
    return len(found)


def harmless(value: object) -> object:
    """A text that no spreadsheet takes for a formula; numbers stay as they are."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value


def _csv(path: Path, names: Sequence[str], found: Iterable[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(names)
        writer.writerows([harmless(row[name]) for name in names] for row in found)


def _jsonl(path: Path, names: Sequence[str], found: Iterable[Row]) -> None:
    with path.open("w", encoding="utf-8", newline="\n") as file:
        for row in found:
            file.write(json.dumps(row, ensure_ascii=False) + "\n")


def _parquet(path: Path, names: Sequence[str], found: Sequence[Row]) -> None:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise VoicelogError("Parquet needs pyarrow; get it with: pip install 'voicelog[parquet]'") from None

    whole = {"band", "first_band", "calls"}
    numbers = {"weight_g", "certainty"}
    fields = [
        (name, pyarrow.int64() if name in whole else pyarrow.float64() if name in numbers else pyarrow.string())
        for name in names
    ]
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(list(found), schema=pyarrow.schema(fields)), path)
