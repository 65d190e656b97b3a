"""Facts, drafts and ids."""

from __future__ import annotations

import re
import threading
import uuid

import pytest
from pydantic import BaseModel, ValidationError

from voicelog.ledger import CallMade, CallVoided, Draft, NoteKept, SessionStarted, fact_adapter, ids, new_id
from voicelog.values import Call

# RFC 9562, appendix A.6: the worked example of a UUIDv7, made at 2022-02-22T19:22:22Z.
RFC_EXAMPLE = "017F22E2-79B0-7CC3-98C4-DC0C0C07398F".lower()
# RFC 9562, appendix A.3: the worked example of a UUIDv4.
RFC_RANDOM = "919108f7-52d1-4320-9bac-f847db4148a8"


def test_ids_have_the_version_and_variant_bits_of_rfc_9562() -> None:
    made = uuid.UUID(new_id())
    assert made.version == 7
    assert made.variant == uuid.RFC_4122
    assert re.fullmatch(ids.EVENT_ID_PATTERN, str(made))


def test_the_id_pattern_takes_version_7_only() -> None:
    assert re.fullmatch(ids.EVENT_ID_PATTERN, RFC_EXAMPLE)
    assert not re.fullmatch(ids.EVENT_ID_PATTERN, RFC_RANDOM)
    assert not re.fullmatch(ids.EVENT_ID_PATTERN, RFC_EXAMPLE.upper())


def test_an_id_begins_with_its_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ids, "_latest", "")
    earlier_ms, now_ms = (int(text.replace("-", "")[:12], 16) for text in (RFC_EXAMPLE, new_id()))
    assert earlier_ms == 1645557742000  # the time given in appendix A.6, in ms since 1970
    assert now_ms > earlier_ms


def test_ids_increase_strictly_across_threads() -> None:
    made: dict[int, list[str]] = {}

    def make(thread: int) -> None:
        made[thread] = [new_id() for _ in range(500)]

    threads = [threading.Thread(target=make, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert all(run == sorted(run) for run in made.values())
    assert len({event_id for run in made.values() for event_id in run}) == 2000


def test_ids_increase_though_the_clock_stands_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ids, "_latest", "")
    far_ahead = "0fffffff-ffff-7fff-bfff-ffffffffffff"
    ids.begin_after(far_ahead)
    run = [far_ahead, *(new_id() for _ in range(50))]
    assert run == sorted(set(run))
    assert all(uuid.UUID(event_id).version == 7 for event_id in run)


def test_a_fact_is_told_by_its_kind() -> None:
    started = SessionStarted(roster=(3, 7), pen="6")
    assert fact_adapter.validate_json(started.model_dump_json()) == started
    assert "lot" not in started.model_dump(mode="json")
    of_lot = SessionStarted(roster=(), purpose="tally", pen="6", lot="A7")
    assert fact_adapter.validate_json(of_lot.model_dump_json()) == of_lot
    assert fact_adapter.validate_python({"kind": "note", "band": 7}) == NoteKept(band=7)


@pytest.mark.parametrize(
    "payload",
    [
        {"kind": "call", "call": {"sex": "male"}},  # no band
        {"kind": "call", "call": {"band": 3}, "supersedes": "the last one"},
        {"kind": "call", "call": {"band": 3}, "v": 2},
        {"kind": "void", "target": RFC_EXAMPLE, "reason": "struck"},
        {"kind": "weather"},
    ],
)
def test_a_fact_that_does_not_fit_is_refused(payload: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        fact_adapter.validate_python(payload)


@pytest.mark.parametrize(
    ("value", "field"),
    [
        (Draft(id=RFC_EXAMPLE, session="s", fact=CallMade(call=Call(band=3, sex="male"))), "words"),
        (CallVoided(target=RFC_EXAMPLE), "target"),
    ],
)
def test_facts_and_drafts_cannot_be_changed(value: BaseModel, field: str) -> None:
    with pytest.raises(ValidationError, match="frozen"):
        setattr(value, field, "another")


@pytest.mark.parametrize("certainty", [-0.1, 1.1, float("nan"), float("inf")])
def test_certainty_runs_from_0_to_1(certainty: float) -> None:
    with pytest.raises(ValidationError):
        Draft(id=new_id(), session="s", fact=NoteKept(), certainty=certainty)
