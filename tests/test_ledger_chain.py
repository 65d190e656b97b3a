"""The chain of hashes, checked by code that shares nothing with the ledger's, and tampered with."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
import rfc8785

from voicelog.ledger import CallMade, Draft, Ledger, new_id
from voicelog.ledger.chain import row_hash
from voicelog.values import Call, Verdict

FIRST_ROW = {
    "id": "017f22e2-79b0-7cc3-98c4-dc0c0c07398f",
    "device": "0123456789abcdef",
    "seq": 1,
    "session": "one",
    "at": "2022-02-22T19:22:22.000001Z",
    "zone": "-05:00",
    "payload": '{"target":"017f22e2-79b0-7cc3-98c4-dc0c0c073990","kind":"void", "v":1}',
    "words": "strike \u201cthat\u201d",
    "certainty": 1.0,
    "engine": None,
    "verdict": "accept",
    "prev": "0" * 64,
}
# The canonical form of FIRST_ROW, written out by hand from the docstring of `row_hash`.
FIRST_ROW_CANONICAL = (
    '{"at":"2022-02-22T19:22:22.000001Z","certainty":1,"device":"0123456789abcdef","engine":null,'
    '"id":"017f22e2-79b0-7cc3-98c4-dc0c0c07398f",'
    '"payload":{"kind":"void","target":"017f22e2-79b0-7cc3-98c4-dc0c0c073990","v":1},'
    '"prev":"0000000000000000000000000000000000000000000000000000000000000000","seq":1,"session":"one",'
    '"verdict":"accept","words":"strike \u201cthat\u201d","zone":"-05:00"}'
)
# Its digest by `sha256sum` (GNU coreutils). It must never change: kept ledgers depend on it.
FIRST_ROW_HASH = "93afb72d858e270dc0f64bee6070110dcdda103a9c3b0cde62c0605b2d9d9a83"


def test_the_hash_of_a_row_written_out_by_hand() -> None:
    assert hashlib.sha256(FIRST_ROW_CANONICAL.encode()).hexdigest() == FIRST_ROW_HASH
    assert row_hash(FIRST_ROW) == FIRST_ROW_HASH


def test_the_canonical_form_is_that_of_rfc_8785() -> None:
    # RFC 8785, section 3.2.2: the worked example and its serialisation (section 3.2.3).
    given = r"""{
      "numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
      "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/",
      "literals": [null, true, false]
    }"""
    expected = (
        r'{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        r'"string":"€$\u000f\nA' + r"'B\"\\\\\"/" + '"}'
    )
    assert rfc8785.dumps(json.loads(given)).decode() == expected


def test_kept_rows_hash_as_the_docstring_says(ledger_path: Path) -> None:
    """Recomputed with the standard library alone, for numbers that JSON and Python write alike."""
    with closing(sqlite3.connect(ledger_path)) as raw:
        raw.row_factory = sqlite3.Row
        rows = [dict(row) for row in raw.execute("SELECT * FROM event ORDER BY seq")]
    prev = "0" * 64
    for row in rows:
        hashed = {name: row[name] for name in row.keys() - {"hash", "kind", "band", "about"}}
        hashed["payload"] = json.loads(hashed["payload"])
        text = json.dumps(hashed, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == row["hash"]
        assert row["prev"] == prev
        prev = row["hash"]
    assert len(rows) == 5


def test_an_untouched_ledger_verifies(ledger_path: Path) -> None:
    assert _found(ledger_path) == []


def _alter(raw: sqlite3.Connection) -> None:
    raw.execute("UPDATE event SET words = 'hen' WHERE seq = 3")


def _alter_payload(raw: sqlite3.Connection) -> None:
    raw.execute("UPDATE event SET payload = replace(payload, 'male', 'female') WHERE seq = 1")


def _alter_and_hash_anew(raw: sqlite3.Connection, seq: int = 3) -> None:
    raw.row_factory = sqlite3.Row
    row = dict(raw.execute("SELECT * FROM event WHERE seq = ?", [seq]).fetchone()) | {"words": "hen"}
    raw.execute("UPDATE event SET words = 'hen', hash = ? WHERE seq = ?", [row_hash(row), seq])


def _alter_the_last_and_hash_anew(raw: sqlite3.Connection) -> None:
    _alter_and_hash_anew(raw, 5)


def _alter_a_hash(raw: sqlite3.Connection) -> None:
    raw.execute("UPDATE event SET hash = ? WHERE seq = 2", ["f" * 64])


def _delete(raw: sqlite3.Connection) -> None:
    raw.execute("DELETE FROM event WHERE seq = 3")


def _delete_the_last_two(raw: sqlite3.Connection) -> None:
    raw.execute("DELETE FROM event WHERE seq >= 4")


def _delete_all(raw: sqlite3.Connection) -> None:
    raw.execute("DELETE FROM event")


def _swap(raw: sqlite3.Connection) -> None:
    for old, new in ((2, 99), (4, 2), (99, 4)):
        raw.execute("UPDATE event SET seq = ? WHERE seq = ?", [new, old])


def _delete_and_close_the_gap(raw: sqlite3.Connection) -> None:
    raw.execute("DELETE FROM event WHERE seq = 2")
    for seq in (3, 4, 5):
        raw.execute("UPDATE event SET seq = ? WHERE seq = ?", [seq - 1, seq])


def _add(raw: sqlite3.Connection) -> None:
    raw.row_factory = sqlite3.Row
    last = dict(raw.execute("SELECT * FROM event WHERE seq = 5").fetchone())
    row = {**last, "id": new_id(), "seq": 6, "prev": last["hash"]}
    row = {name: row[name] for name in row.keys() - {"kind", "band", "about"}} | {"hash": row_hash(row)}
    raw.execute(f"INSERT INTO event ({','.join(row)}) VALUES ({','.join('?' * len(row))})", list(row.values()))


@pytest.mark.parametrize(
    ("tamper", "expected"),
    [
        (_alter, [("altered", 3)]),
        (_alter_payload, [("altered", 1)]),
        (_alter_and_hash_anew, [("altered", 3)]),
        (_alter_the_last_and_hash_anew, [("altered", 5)]),
        (_alter_a_hash, [("altered", 2)]),
        (_delete, [("missing", 3)]),
        (_delete_the_last_two, [("missing", 4)]),
        (_delete_all, [("missing", 1)]),
        (_swap, [("reordered", 2), ("reordered", 4)]),
        (_delete_and_close_the_gap, [("altered", 2), ("altered", 3), ("altered", 4), ("missing", 5)]),
        (_add, [("altered", 6)]),
    ],
)
def test_tampering_is_named(
    ledger_path: Path, tamper: Callable[[sqlite3.Connection], None], expected: list[tuple[str, int]]
) -> None:
    with _without_triggers(ledger_path) as raw:
        tamper(raw)
    assert _found(ledger_path) == expected


def test_a_moved_row_is_named_with_its_place(ledger_path: Path) -> None:
    with _without_triggers(ledger_path) as raw:
        _swap(raw)
    with Ledger.open(ledger_path) as ledger:
        first, _ = ledger.verify()
    assert f"row 2 of device {ledger.device} (event {first.event}) was moved: it was written as row 4" == str(first)


@pytest.fixture(scope="module")
def five_calls(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The file of a ledger of five calls, bands 1 to 5."""
    path = tmp_path_factory.mktemp("ledger") / "ledger.db"
    with Ledger.open(path) as ledger:
        for band in range(1, 6):
            ledger.append(
                Draft(
                    id=new_id(),
                    session="s",
                    fact=CallMade(call=Call(band=band, sex="male", weight_g=150.5)),
                    words=f"band {band} \u2014 «male»",
                    certainty=0.25,
                    engine="typed",
                    verdict=Verdict.ACCEPT,
                )
            )
    return path.read_bytes()


@pytest.fixture
def ledger_path(tmp_path: Path, five_calls: bytes) -> Path:
    path = tmp_path / "ledger.db"
    path.write_bytes(five_calls)
    return path


@contextmanager
def _without_triggers(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(path)) as raw:
        for (name,) in raw.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            raw.execute(f"DROP TRIGGER {name}")
        yield raw
        raw.commit()


def _found(path: Path) -> list[tuple[str, int]]:
    with Ledger.open(path) as ledger:
        return [(problem.kind, problem.seq) for problem in ledger.verify()]
