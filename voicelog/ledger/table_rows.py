"""Rows into the tables that are folded from the events: many at once, or just those that changed."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain, compress, islice
from operator import is_not
from typing import Any

from voicelog.ledger.birds import SLOTS

Row = tuple[Any, ...]
Batch = tuple[bytes, int, Iterable[Any]]
"""Rows with gaps in the same places: a byte for each column, 1 where they hold something; how many rows; the values
that they hold, one after another."""

_ByKey = dict[Any, list[Any]]

MOST_VALUES = 999
"""Values in one statement: what every SQLite takes. Newer ones take more, which gains nothing."""


@dataclass(frozen=True, slots=True)
class Table:
    """A table whose rows begin with the two columns of its key. `of_band` is the place of the band
    under which its rows are found, counted from 0."""

    name: str
    columns: tuple[str, ...]
    of_band: int = 0


CALLED = Table("called", ("band", "id", "day", "supersedes", "state", "bird"))
BIRD = Table(
    "bird",
    (
        *("first_band", "id", "band", *SLOTS, "entered", "lot", "took_from", "grp"),
        *("sexed_on", "sexed_at", "changed_on", "last_at", "calls", "state", "gone_on"),
    ),
)
CONFLICT = Table("conflict", ("event", "says", "other", "band"), of_band=3)
TALLY = Table("tally", ("session", "lot", "pen", "day", "male", "female", "unsure"))
BY_BAND = (CALLED, BIRD, CONFLICT)


class Rows:
    """New rows of a table, collected in any order and written in that of their first column, the key:
    so each page is written once.

    They are held as the values of one key after another. Were each row a tuple of its own, a large table
    would spend its time on fetching them from all over the memory. Rows with gaps in the same places go
    together, in a statement that does not name the columns left empty: Python's driver spends more on one
    None than on three texts. Many rows go into one run of a statement, since beginning and ending a run
    costs as much as writing a row.
    """

    def __init__(self, table: Table) -> None:
        self.table = table
        self._nothing = [None] * len(table.columns)
        self._full: _ByKey = defaultdict(list)
        # By what is given in a row: a byte for each column, 1 where it holds something.
        self._alike: dict[bytes, _ByKey] = defaultdict(lambda: defaultdict(list))
        self._alike[b"\1" * len(table.columns)] = self._full

    def add(self, row: Row) -> None:
        if None in row:
            given = bytes(map(is_not, row, self._nothing))
            self._alike[given][row[0]].extend(compress(row, given))
        else:
            self._full[row[0]].extend(row)

    def taken(self) -> Iterator[Batch]:
        """The rows, in the order of their keys within a batch; they are forgotten."""
        for given, by_key in self._alike.items():
            rows = sum(map(len, by_key.values())) // sum(given)
            yield given, rows, chain.from_iterable(map(by_key.pop, sorted(by_key)))


def write(conn: sqlite3.Connection, table: Table, batches: Iterable[Batch]) -> None:
    """Write new rows, which come as `Rows` gives them."""
    for given, rows, batch in batches:
        names, values = list(compress(table.columns, given)), iter(batch)
        sql, one = f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ", f"({', '.join('?' * len(names))})"
        at_once = MOST_VALUES // len(names)
        # One run of many rows after another, then what is left, row by row: both draw on `values`.
        for rows_a_run, runs in ((at_once, rows // at_once), (1, rows % at_once)):
            if runs:
                taken = (tuple(islice(values, rows_a_run * len(names))) for _ in range(runs))
                conn.executemany(sql + ", ".join([one] * rows_a_run), taken)


def insert(conn: sqlite3.Connection, table: Table, rows: Iterable[Row]) -> None:
    """Write new rows."""
    new = Rows(table)
    for row in rows:
        new.add(row)
    write(conn, table, new.taken())


def replace(conn: sqlite3.Connection, table: Table, bands: str, rows: Iterable[Row]) -> None:
    """Make `rows` the rows of these bands (a JSON list), writing only what is new or no longer so."""
    under = table.columns[table.of_band]
    sql = f"SELECT {', '.join(table.columns)} FROM {table.name} WHERE {under} IN (SELECT value FROM json_each(?))"
    before, after = set(conn.execute(sql, [bands])), set(rows)
    first, second = table.columns[:2]
    conn.executemany(
        f"DELETE FROM {table.name} WHERE {first} = ? AND {second} = ?", [row[:2] for row in before - after]
    )
    insert(conn, table, after - before)
