"""How the ledger scales: a made-up yard of any size, and what it costs to keep, ask and rebuild it."""

from __future__ import annotations

import hashlib
import os
import sqlite3
import time
from collections.abc import Callable, Generator, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from operator import itemgetter
from pathlib import Path
from statistics import median, quantiles
from typing import Any

import orjson

from voicelog.ledger import CallMade, Draft, Ledger, fact_adapter, new_id
from voicelog.ledger.chain import NO_ROW_BEFORE
from voicelog.ledger.rows import COLUMNS, utc_text
from voicelog.values import Call

BANDS = 9_999
BIRDS_A_LOT = 500
EVENTS_A_BIRD = 4
SEVERAL_S = 1.5


@dataclass(frozen=True, slots=True)
class Measured:
    """One size. Times in seconds, `bytes` of the file after a checkpoint, `append_bytes` what an append
    writes to the log before its fsync. On a busy machine the times of the processor (`cpu`) say more than
    those on the wall; they are those of all processes that had a part in it."""

    events: int
    birds: int
    bytes: int
    append_p50_s: float
    append_p99_s: float
    append_max_s: float
    fsync_p50_s: float
    fsync_p99_s: float
    open_s: float
    due_s: float
    bird_s: float
    rebuild_s: float
    rebuild_cpu_s: float
    due_cpu_s: float
    bird_cpu_s: float
    append_cpu_s: float
    append_cpu_p99_s: float
    append_bytes: float


def measure(folder: Path, events: int, due: Callable[[Ledger, date], object], bird: Callable[[Ledger, int], object],
            appends: int = 1000) -> Measured:  # fmt: skip
    """Make a ledger of so many events in `folder`, and time it. The file is deleted afterwards."""
    path = folder / f"bench-{events}.ledger"
    last = make_yard(path, events)
    try:
        began = time.perf_counter()
        with Ledger.open(path, must_exist=True) as ledger:
            open_s = time.perf_counter() - began
            rebuild_s, rebuild_cpu_s = _median_of_several(ledger.rebuild)
            due_s, due_cpu_s = _wall_and_cpu(lambda: due(ledger, last))
            bands = [band for (band,) in ledger.db.execute("SELECT DISTINCT band FROM bird ORDER BY band LIMIT 500")]
            birds_took = [_wall_and_cpu(partial(bird, ledger, band)) for band in bands[:: len(bands) // 20 or 1]]
            birds = ledger.db.execute("SELECT count(*) FROM bird").fetchone()[0]
            ledger.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            size = path.stat().st_size
            appended, synced = [], []
            with closing(_bare_fsyncs(folder)) as fsyncs:
                # One and then the other, so that both meet the same disk.
                for draft in _drafts(appends):
                    synced.append(next(fsyncs))
                    appended.append(_wall_and_cpu(partial(ledger.append, draft)))
            append_bytes = _bytes_an_append(ledger)
        walls = [wall for wall, _ in appended]
        p50, p99 = _p50_p99(walls)
        c50, c99 = _p50_p99([cpu for _, cpu in appended])
        f50, f99 = _p50_p99(synced)
        return Measured(
            events, birds, size, p50, p99, max(walls), f50, f99, open_s, due_s, max(wall for wall, _ in birds_took),
            rebuild_s, rebuild_cpu_s, due_cpu_s, max(cpu for _, cpu in birds_took), c50, c99, append_bytes,
        )  # fmt: skip
    finally:
        for file in folder.glob(f"{path.name}*"):
            file.unlink()


def make_yard(path: Path, events: int) -> date:
    """A ledger of so many events, four for each bird, over years: bands are used again once their birds
    are sold. Written in bulk, with a true chain of hashes. Returns the day of the last event."""
    with Ledger.open(path) as ledger:
        device = ledger.device
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA synchronous=OFF")
        db.execute("BEGIN")
        rows = _rows(device, events)
        insert = f"INSERT INTO event ({', '.join(COLUMNS)}) VALUES ({', '.join(f':{name}' for name in COLUMNS)})"
        last: dict[str, Any] = {}

        def passing() -> Iterator[dict[str, Any]]:
            for row in rows:
                last.update(row)
                yield row

        db.executemany(insert, passing())
        db.execute("INSERT INTO head VALUES (?, ?, ?)", (device, last["hash"], last["seq"]))
        db.execute("COMMIT")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return date.fromisoformat(last["at"][:10])


def _rows(device: str, events: int) -> Iterator[dict[str, Any]]:
    prev = NO_ROW_BEFORE
    # Lots overlap: in the order in which things happen.
    for seq, (at, fact) in enumerate(sorted(_happenings(events), key=itemgetter(0)), start=1):
        ms = int(at.timestamp() * 1000)
        row = {
            "id": f"{ms >> 16:08x}-{ms & 0xFFFF:04x}-7{seq >> 28 & 0xFFF:03x}-8000-{seq & 0xFFFFFFF:012x}",
            "device": device, "seq": seq, "session": f"bench {at:%Y-%m-%d}", "at": utc_text(at), "zone": "+00:00",
            "words": "", "certainty": None, "engine": None, "verdict": None, "prev": prev,
        }  # fmt: skip
        # For these rows, ASCII and whole numbers alone, sorted keys are the canonical form of RFC 8785.
        canonical = orjson.dumps(row | {"payload": fact}, option=orjson.OPT_SORT_KEYS)
        prev = hashlib.sha256(canonical).hexdigest()
        payload = orjson.dumps(fact, option=orjson.OPT_SORT_KEYS).decode()
        yield row | {"payload": payload, "hash": prev}


def _happenings(events: int) -> Iterator[tuple[datetime, dict[str, Any]]]:
    """Lot after lot: hatched, each bird banded, called twice, and sold before its band is used again."""
    begun = datetime(2001, 1, 1, 8, tzinfo=UTC)
    made, band, lot = 0, 0, 0
    template = CallMade(call=Call(band=1)).model_dump(mode="json")

    def fact(**payload: object) -> dict[str, Any]:
        return fact_adapter.validate_python(payload).model_dump(mode="json")

    def call(band: int, **slots: object) -> dict[str, Any]:
        return template | {"call": template["call"] | {"band": band, **slots}}

    banded = fact(kind="banded", band=1, lot="L0", pen="0")
    sold = fact(kind="sold", band=1)
    while made < events:
        lot += 1
        hatched = begun + timedelta(days=lot * 12)
        birds = min(BIRDS_A_LOT, (events - made) // EVENTS_A_BIRD or 1)
        bands = [(band + n) % BANDS + 1 for n in range(birds)]
        band += birds
        name, pen = f"L{lot}", str(lot % 40 + 1)
        happened: list[tuple[int, dict[str, Any]]] = [
            (0, fact(kind="hatched", lot=name, variety="wild type", count=birds, pen=pen))
        ]
        happened += [(20, banded | {"band": b, "lot": name, "pen": pen}) for b in bands]
        happened += [(21, call(b, sex="male" if b % 2 else "female", breast="rust")) for b in bands]
        happened += [(42, call(b, weight_g=180 + b % 90)) for b in bands]
        happened += [(100, sold | {"band": b}) for b in bands]
        for number, (age, what) in enumerate(happened):
            if made < events:
                made += 1
                yield hatched + timedelta(days=age, milliseconds=number), what


def _drafts(count: int) -> Iterator[Draft]:
    session = new_id()
    for n in range(count):
        call = CallMade(call=Call(band=n % 499 + 1, sex="male", foam="yes", weight_g=210.5))
        yield Draft(id=new_id(), session=session, fact=call, words="band four two male foam yes", certainty=0.9)


def _bytes_an_append(ledger: Ledger) -> float:
    log = ledger.path.with_name(ledger.path.name + "-wal")
    ledger.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    drafts = list(_drafts(20))
    for draft in drafts:
        ledger.append(draft)
    return log.stat().st_size / len(drafts)


def _bare_fsyncs(folder: Path) -> Generator[float]:
    """The disk's own time to keep one page, again and again: write 4096 bytes and fsync."""
    path = folder / "bench-fsync"
    try:
        with path.open("wb", buffering=0) as file:
            while True:
                file.write(b"\0" * 4096)
                yield _timed(lambda: os.fsync(file.fileno()))
    finally:
        path.unlink(missing_ok=True)


def _wall_and_cpu(work: Callable[[], object]) -> tuple[float, float]:
    cpu = _processor_s()
    wall = _timed(work)
    return wall, _processor_s() - cpu


def _processor_s() -> float:
    """Seconds of processor time of this process and of those that worked for it and have ended."""
    times = os.times()
    return time.process_time() + times.children_user + times.children_system


def _median_of_several(work: Callable[[], object]) -> tuple[float, float]:
    """Three times at least, and for a second and a half: of what takes a moment, one time says little."""
    took = [_wall_and_cpu(work) for _ in range(3)]
    while len(took) * took[0][0] < SEVERAL_S:
        took.append(_wall_and_cpu(work))
    return median(wall for wall, _ in took), median(cpu for _, cpu in took)


def _timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def _p50_p99(took: list[float]) -> tuple[float, float]:
    cuts = quantiles(took, n=100, method="inclusive")
    return cuts[49], cuts[98]
