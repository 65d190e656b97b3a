"""The ledger: one SQLite file to which events are added, and from which none is ever taken."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from voicelog.ledger import migrate, sqlite, tables
from voicelog.ledger.birds import Conflict
from voicelog.ledger.chain import NO_ROW_BEFORE, Problem
from voicelog.ledger.events import CHANGES_NOTHING, QUIET, CallMade, CallVoided, Draft, Event, SessionStarted
from voicelog.ledger.flock_facts import Banded, Retracted
from voicelog.ledger.forks import all_problems
from voicelog.ledger.ids import EVENT_ID_PATTERN, begin_after, time_of
from voicelog.ledger.lots import NO_SUCH_LOT, FoldedLots
from voicelog.ledger.plain import Plain, local_time, plain_event
from voicelog.ledger.rows import COLUMNS, SELECT, said_columns, to_event, to_row, utc_text
from voicelog.values import Call, VoicelogError

if TYPE_CHECKING:
    from sqlite_utils import Database


class Contradiction(VoicelogError):
    """Facts that were not written, since they cannot be true beside what is known. `conflicts` says why;
    the message tells the first of them. `places` is set by who knows which facts they are, counted from 1."""

    places: tuple[int | None, ...] = ()

    def __init__(self, conflicts: Sequence[Conflict]) -> None:
        conflict = conflicts[0]
        history = f"{'bird' if conflict.about.startswith('band') else 'lot'} {conflict.about.partition(' ')[2]}"
        do = f"correct it, or see the history with voicelog {history}"
        if conflict.says == NO_SUCH_LOT:
            # It has no history that could be looked at.
            do = "check its name, or enter it with voicelog set-eggs or voicelog hatch"
        super().__init__(f"{conflict.about}: {conflict.says}; nothing was written: {do}")
        self.conflicts = tuple(conflicts)


class Ledger:
    """An open ledger. Use it in a `with` block, from one thread.

    `db` is the sqlite-utils database, for reading the tables; `device` the random
    id under which this ledger writes, kept in the file so that a moved ledger goes
    on with its own chain. One that is `new` was made when it was opened.
    """

    def __init__(self, path: Path, db: Database, *, new: bool = False) -> None:
        self.path = path
        self.db = db
        self.device = ""
        self._new = new
        self.read_identity()

    def read_identity(self) -> None:
        """Learn the device id, and let new ids come after every id that is kept."""
        with sqlite.plainly(self.path):
            self.device = str(self.db.execute("SELECT value FROM meta WHERE key = 'device'").fetchone()[0])
            begin_after(self.db.execute("SELECT coalesce(max(id), '') FROM event").fetchone()[0])

    @classmethod
    def open(cls, path: Path | str, must_exist: bool = False) -> Self:
        """Open the ledger at `path`; make it there unless `must_exist`.

        Raises VoicelogError, and changes nothing, where there is no ledger or can
        be none: a folder, a file that is not ours, a damaged one, one that a newer
        voicelog wrote, a place that cannot be written.
        """
        path = Path(path)
        new = not path.exists()
        try:
            return cls._open(path, must_exist=must_exist, new=new)
        except BaseException:
            if new:
                sqlite.discard_empty(path)
            raise

    @classmethod
    def _open(cls, path: Path, *, must_exist: bool, new: bool) -> Self:
        db = sqlite.connect(path, must_exist=must_exist)
        try:
            _bring_up_to_date(db, path)
            sqlite.use_wal(db, path)
            # From here on nobody else discards it. What is written to a file that is gone already would be lost.
            if not path.exists():
                raise VoicelogError(f"{path} was just given up by another program: try again")
            return cls(path, db, new=new)
        except BaseException:
            db.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # A slip in the name of the ledger must not leave an empty one behind the error.
        self.close(keep_empty=kind is None)

    def close(self, *, keep_empty: bool = True) -> None:
        """Unless `keep_empty`, a ledger that was made when it was opened and holds no event leaves no file."""
        self.db.close()
        if self._new and not keep_empty:
            sqlite.discard_empty(self.path)

    def append(self, draft: Draft) -> Event:
        """Keep one fact. When this returns, it is on the disk.

        The same draft again is kept once, and the event of the first time returned.

        Raises VoicelogError, with nothing kept, where the id belongs to another
        event, a void or a correction names no call of this ledger, or the file
        cannot be written.
        """
        return self.keep([draft])[0]

    def keep(self, drafts: Sequence[Draft]) -> list[Event]:
        """Keep all these facts, or none where one cannot be kept; else as `append`."""
        with sqlite.writing(self.db, self.path):
            events = self._write(drafts)
        if any(draft.fact.kind in QUIET for draft in drafts):
            sqlite.tidy(self.db)
        return events

    def enter(self, drafts: Sequence[Draft], *, dry_run: bool = False) -> list[Event]:
        """Keep all these facts, or none: none where one contradicts what is known, or in a dry run.

        Raises `Contradiction` for a fact that cannot be true beside the others, such as
        a band given twice; else as `append` does.
        """
        with sqlite.writing(self.db, self.path, undo=dry_run):
            before = set(self.conflicts())
            events = self._write(drafts)
            new = [conflict for conflict in self.conflicts() if not _known(conflict, before)]
            if new := [*new, *_banded_too_soon(events, self.lots())]:
                ids = {event.id for event in events}
                # What contradicts itself is told before what it makes impossible elsewhere.
                raise Contradiction(sorted(new, key=lambda conflict: (conflict.event not in ids, conflict.event)))
        return events

    def latest(self) -> datetime | None:
        """When the newest event was kept, in UTC, by its id: where the clock was set back since, ids ran on from there.

        None in an empty ledger.
        """
        with sqlite.plainly(self.path):
            (newest,) = self.db.execute("SELECT max(id) FROM event").fetchone()
        return None if newest is None else time_of(newest)

    def conflicts(self) -> list[Conflict]:
        """What cannot all be true, birds first, oldest first."""
        with sqlite.plainly(self.path):
            return tables.conflicts_now(self.db)

    def conflicts_of(self, session: str) -> list[Conflict]:
        """Those that a fact of a session is part of, or what corrected one or took it back since."""
        ours = {event.id for event in self.about_session(session)}
        return [conflict for conflict in self.conflicts() if ours & {conflict.event, conflict.other}]

    def lots(self) -> FoldedLots:
        """The lots and pens."""
        with sqlite.plainly(self.path):
            return tables.lots_now(self.db)

    def about_band(self, band: int) -> list[Plain]:
        """All facts about the birds that wore a band, sorted by id, as `voicelog.ledger.plain` gives them."""
        with sqlite.plainly(self.path):
            return tables.about_band(self.db, band)

    def about_pen(self, pen: str) -> list[Plain]:
        """All facts that name a pen, and all of sessions about it; sorted by id."""
        with sqlite.plainly(self.path):
            return tables.about_pen(self.db, pen)

    def names_pen(self, pen: str) -> bool:
        """Whether any fact names a pen, besides that a session about it began."""
        with sqlite.plainly(self.path):
            return tables.names_pen(self.db, pen)

    def about_lot(self, lot: str) -> list[Plain]:
        """All facts that name a lot, all about the birds that were banded out of it, and how sessions about it went;
        sorted by id."""
        with sqlite.plainly(self.path):
            return tables.about_lot(self.db, lot)

    def call(self, event_id: str) -> tuple[Call, date]:
        """A call in effect by its event's id, and the local day of it.

        Raises VoicelogError for what is no call, and for one that was struck or corrected.
        """
        with sqlite.plainly(self.path):
            row = self._row(event_id)
            fact = None if row is None else to_event(row).fact
            if not isinstance(fact, CallMade):
                raise VoicelogError(f"{event_id} is no call of this ledger: see the ids with voicelog bird")
            sql = "SELECT state, day FROM called WHERE band = ? AND id = ?"
            state, day = self.db.execute(sql, [fact.call.band, event_id]).fetchone()
        if state != "effective":
            how = "was corrected already: fix the later call" if state == "superseded" else "was taken back: undo that"
            raise VoicelogError(f"call {event_id} {how}; see voicelog bird {fact.call.band}")
        return fact.call, date.fromisoformat(day)

    def calls_of(self, band: int, at: str = "") -> list[tuple[str, str]]:
        """(id, local time) of the calls in effect that name a band, oldest first.

        `at` is the day of the call, or the local day or minute at which it was made, in ISO form; empty for any.
        """
        with sqlite.plainly(self.path):
            rows = self.db.execute(
                "SELECT id, at, zone, day FROM called JOIN event USING (id) "
                "WHERE called.band = ? AND state = 'effective' ORDER BY id",
                [band],
            ).fetchall()
        told = [(event_id, local_time(when, zone), day) for event_id, when, zone, day in rows]
        return [(event_id, when) for event_id, when, day in told if at in ("", when, when[:10], day)]

    def roster_at(self, event_id: str) -> tuple[int, ...]:
        """The roster of the session in which a call was made, or the call that it corrects; empty where there was
        none, as for a call that a command entered."""
        with sqlite.plainly(self.path):
            row = self._row(event_id)
            while row is not None and (earlier := getattr(to_event(row).fact, "supersedes", None)) is not None:
                row = self._row(earlier)
        facts = [] if row is None else [event.fact for event in self.events(session=row["session"])]
        return next((fact.roster for fact in facts if isinstance(fact, SessionStarted)), ())

    def changed_in(self, session: str) -> list[int]:
        """Bands of birds that were called another sex in this session than in an earlier one, as its calls stand now:
        what corrected one of them since was said when that was."""
        sql = """
            WITH RECURSIVE ours (id, first) AS (
                SELECT id, id FROM event WHERE session = ? AND kind = 'call'
                UNION SELECT event.id, ours.first FROM event JOIN ours ON event.about = ours.id WHERE kind = 'call'
            )
            SELECT DISTINCT call.band FROM ours JOIN call USING (id)
            WHERE call.state = 'effective' AND call.sex IN ('male', 'female') AND EXISTS (
                SELECT 1 FROM call AS earlier
                WHERE earlier.band = call.band AND earlier.bird = call.bird AND earlier.state = 'effective'
                  AND earlier.sex IN ('male', 'female') AND earlier.sex <> call.sex
                  AND earlier.id NOT IN (SELECT id FROM ours) AND earlier.day <= call.day AND earlier.id < ours.first)
            ORDER BY call.band"""
        with sqlite.plainly(self.path):
            return [band for (band,) in self.db.execute(sql, [session])]

    def words(self, event_ids: Iterable[str]) -> dict[str, str]:
        """The words that were heard with these events."""
        with sqlite.plainly(self.path):
            found = self.db.execute(
                "SELECT id, words FROM event WHERE id IN (SELECT value FROM json_each(?))",
                [json.dumps(list(event_ids))],
            )
            return dict(found.fetchall())

    def banded_out(self) -> dict[str, dict[str | None, int]]:
        """By lot and pen, how many birds were banded out of it."""
        with sqlite.plainly(self.path):
            return tables.banded_out(self.db)

    def _write(self, drafts: Sequence[Draft]) -> list[Event]:
        """Keep facts inside a transaction that the caller opened."""
        insert = f"INSERT INTO event ({', '.join(COLUMNS)}) VALUES ({', '.join(f':{name}' for name in COLUMNS)})"
        # A merge by another program may have given this ledger another device id.
        self.device = str(self.db.execute("SELECT value FROM meta WHERE key = 'device'").fetchone()[0])
        seq, prev = self._head()
        first, events, new = prev, [], []
        for draft in drafts:
            known = self._row(draft.id)
            if known is not None:
                events.append(_same_event(known, draft))
                continue
            self._check_target(draft)
            row = to_row(draft, device=self.device, seq=seq + 1, prev=prev, now=datetime.now().astimezone())
            self.db.conn.execute(insert, row)
            seq, prev = seq + 1, row["hash"]
            events.append(to_event(row))
            if draft.fact.kind not in CHANGES_NOTHING:
                new.append(draft.id)
        if prev != first:
            self.db.conn.execute("DELETE FROM head WHERE device = ? AND hash = ?", (self.device, first))
            self.db.conn.execute("INSERT INTO head VALUES (?, ?, ?)", (self.device, prev, seq))
        if new:
            tables.refresh(self.db, new)
        return events

    def events(self, session: str | None = None, since: datetime | None = None) -> Iterator[Event]:
        """The events in order of their ids, as of now: of one session, or kept at `since` (aware) or later.

        Raises VoicelogError for a row that cannot be read.
        """
        if since is not None and since.tzinfo is None:
            raise VoicelogError("the time to list events from has no zone: give one with its offset from UTC")
        asked = {"session": session, "since": None if since is None else utc_text(since)}
        tests = {"session": "session = :session", "since": "at >= :since"}
        where = " AND ".join(tests[name] for name in asked if asked[name] is not None) or "TRUE"
        # Read at once: a cursor left open would hold the write-ahead log back.
        with sqlite.plainly(self.path):
            rows = list(self.db.query(f"{SELECT} WHERE {where} ORDER BY id", asked))
        return map(to_event, rows)

    def about_session(self, session: str) -> list[Event]:
        """The events of a session, and whatever corrected one of them or took it back since; sorted by id.

        Raises VoicelogError for a row that cannot be read.
        """
        sql = f"""
            WITH RECURSIVE found (id) AS (
                SELECT id FROM event WHERE session = ?
                UNION SELECT event.id FROM event JOIN found ON event.about = found.id
            )
            {SELECT} JOIN found USING (id) ORDER BY event.id"""
        with sqlite.plainly(self.path):
            return list(map(to_event, self.db.query(sql, [session])))

    def sessions(self) -> list[str]:
        """The ids of all sessions, oldest first."""
        with sqlite.plainly(self.path):
            rows = self.db.execute("SELECT session FROM event GROUP BY session ORDER BY min(id)").fetchall()
        return [session for (session,) in rows]

    def last_session(self) -> str | None:
        """The id of the session that began last, None where none was held: facts that were entered are none,
        though each command's have an id in common too."""
        sql = "SELECT session FROM event WHERE kind = 'session_started' ORDER BY id DESC LIMIT 1"
        with sqlite.plainly(self.path):
            found = self.db.execute(sql).fetchone()
        return None if found is None else str(found[0])

    def rebuild(self) -> None:
        """Fold the tables again from all events."""
        with sqlite.writing(self.db, self.path):
            # Nothing else is in this transaction.
            tables.rebuild(self.db, committed=self.path)
        # All the tables are in the log now, and nobody is calling.
        sqlite.tidy(self.db)

    def verify(self) -> list[Problem]:
        """Recompute the chain of every device; what is not as it was written, if anything."""
        with sqlite.plainly(self.path):
            rows = list(self.db.query(f"{SELECT} ORDER BY device, seq"))
            return list(all_problems(rows, self._heads()))

    def sound_path(self, event_id: str) -> Path:
        """Where the sound of an event is kept; neither the file nor its folder need be there.

        Raises VoicelogError for what is no event id.
        """
        if not re.fullmatch(EVENT_ID_PATTERN, event_id):
            raise VoicelogError(f"{event_id!r} is no event id: take one from the table `event`")
        return self.path.with_name(f"{self.path.stem}-sounds") / f"{event_id}.flac"

    def _row(self, event_id: str) -> dict[str, Any] | None:
        return next(self.db.query(f"{SELECT} WHERE id = ?", [event_id]), None)

    def _head(self) -> tuple[int, str]:
        """seq and hash of this device's last row."""
        found = self.db.execute("SELECT seq, hash FROM head WHERE device = ?", [self.device]).fetchone()
        return (0, NO_ROW_BEFORE) if found is None else (int(found[0]), str(found[1]))

    def _heads(self) -> dict[str, list[tuple[int, str]]]:
        found: dict[str, list[tuple[int, str]]] = {}
        for device, seq, last in self.db.execute("SELECT device, seq, hash FROM head ORDER BY device, seq, hash"):
            found.setdefault(device, []).append((seq, last))
        return found

    def _check_target(self, draft: Draft) -> None:
        match draft.fact:
            case CallMade(supersedes=str(target)):
                kinds: tuple[str, ...] = ("call",)
            case CallVoided(target=str(target)):
                kinds = ("call", "counted")
            case Retracted(target=str(target)):
                kinds = ()
            case _:
                return
        found = self.db.execute("SELECT kind FROM event WHERE id = ?", [target]).fetchone()
        if found is None and not kinds:
            raise VoicelogError(f"there is no event {target} in this ledger to take back: check its id")
        if kinds and (found is None or found[0] not in kinds):
            raise VoicelogError(f"there is no call {target} in this ledger to void or correct: check its id")


def _known(conflict: Conflict, before: set[Conflict]) -> bool:
    """Whether it was there before: a lot from which no more birds are missing now may be mended step by step."""
    return conflict in before or (
        conflict.short > 0 and any(old.about == conflict.about and old.short >= conflict.short for old in before)
    )


def _banded_too_soon(events: Sequence[Event], known: FoldedLots) -> Iterator[Conflict]:
    """Birds that got their bands before their lot hatched."""
    for event in events:
        if isinstance(event.fact, Banded) and event.fact.lot in known.lots:
            lot, day = known.lots[event.fact.lot], plain_event(event)[4]
            if lot.hatched_on is None or day < lot.hatched_on:
                hatched = "has not hatched yet" if lot.hatched_on is None else f"hatched on {lot.hatched_on}"
                says = f"banded on {day}, but lot {lot.name} {hatched}"
                yield Conflict(event.id, lot._hatched_by, f"band {event.fact.band}", says)


def _same_event(row: dict[str, Any], draft: Draft) -> Event:
    if any(row[name] != value for name, value in said_columns(draft).items()):
        raise VoicelogError(f"event {draft.id} is already kept with other content: give the new one an id of its own")
    return to_event(row)


def _bring_up_to_date(db: Database, path: Path) -> None:
    newest = len(migrate.MIGRATIONS)
    with sqlite.plainly(path):
        found = migrate.version(db)
    if found > newest:
        raise VoicelogError(f"{path} was written by a newer voicelog (version {found}, not {newest}): update voicelog")
    if found < newest:
        with sqlite.writing(db, path):
            migrate.migrate(db)
            tables.rebuild(db)
