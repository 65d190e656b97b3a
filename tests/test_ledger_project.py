"""The fold: which calls stand, and what is known of each bird."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.ledger import CallMade, CallVoided, Draft, Event, Fact, Ledger, NoteKept, fold, new_id
from voicelog.values import Call


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "yard.db") as opened:
        yield opened


def _keep(ledger: Ledger, fact: Fact) -> Event:
    return ledger.append(Draft(id=new_id(), session="s", fact=fact))


def _say(ledger: Ledger, call: Call, corrects: Event | None = None) -> Event:
    return _keep(ledger, CallMade(call=call, supersedes=corrects.id if corrects else None))


def _void(ledger: Ledger, event: Event) -> None:
    _keep(ledger, CallVoided(target=event.id))


def _states(ledger: Ledger) -> list[str]:
    states: list[str] = [call.state for call in fold(ledger.events()).calls]
    assert [state for (state,) in ledger.db.execute("SELECT state FROM call ORDER BY id")] == states
    return states


def test_a_bird_is_what_was_last_said_of_it(ledger: Ledger) -> None:
    first = _say(ledger, Call(band=42, sex="female", foam="no", pen="6"))
    _keep(ledger, NoteKept(band=42))
    last = _say(ledger, Call(band=42, weight_g=310, pen="7"))
    _say(ledger, Call(band=43, sex="male"))
    bird = fold(ledger.events()).birds[42]
    assert bird.known == Call(band=42, sex="female", foam="no", weight_g=310, pen="7")
    assert (bird.sexed_at, bird.last_at, len(bird.calls)) == (first.at, last.at, 2)
    (row,) = ledger.db.query("SELECT * FROM bird WHERE band = 42")
    expected = {
        **bird.known.model_dump(),
        "sexed_at": first.at.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "last_at": last.at.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "calls": 2,
    }
    assert {name: row[name] for name in expected} == expected


def test_a_voided_call_is_flagged_and_its_bird_forgotten(ledger: Ledger) -> None:
    _void(ledger, _say(ledger, Call(band=99, sex="male")))
    assert _states(ledger) == ["voided"]
    assert fold(ledger.events()).birds == {}
    assert ledger.db.execute("SELECT count(*) FROM bird").fetchone() == (0,)


def test_a_voided_correction_brings_the_call_back(ledger: Ledger) -> None:
    wrong = _say(ledger, Call(band=16, sex="male"))
    corrected = _say(ledger, Call(band=60, sex="male"), corrects=wrong)
    assert _states(ledger) == ["superseded", "effective"]
    assert fold(ledger.events()).birds.keys() == {60}
    _void(ledger, corrected)
    assert _states(ledger) == ["effective", "voided"]
    assert fold(ledger.events()).birds.keys() == {16}


def test_a_correction_of_a_correction_replaces_both(ledger: Ledger) -> None:
    first = _say(ledger, Call(band=15, sex="male"))
    second = _say(ledger, Call(band=50, sex="male"), corrects=first)
    third = _say(ledger, Call(band=55, sex="male"), corrects=second)
    assert _states(ledger) == ["superseded", "superseded", "effective"]
    _void(ledger, third)
    assert _states(ledger) == ["superseded", "effective", "voided"]
    _void(ledger, second)
    assert _states(ledger) == ["effective", "voided", "voided"]


def test_voiding_the_middle_of_a_chain_brings_nothing_back(ledger: Ledger) -> None:
    first = _say(ledger, Call(band=15, sex="male"))
    second = _say(ledger, Call(band=50, sex="male"), corrects=first)
    _say(ledger, Call(band=55, sex="male"), corrects=second)
    _void(ledger, second)
    assert _states(ledger) == ["superseded", "voided", "effective"]


def test_a_rebuild_mends_the_tables(ledger: Ledger) -> None:
    _say(ledger, Call(band=15, sex="male"))
    before = _tables(ledger)
    ledger.db.execute("UPDATE called SET state = 'voided'")
    ledger.db.execute("DELETE FROM bird")
    ledger.rebuild()
    assert _tables(ledger) == before


def test_what_is_voided_elsewhere_and_not_here_yet_is_waited_for(ledger: Ledger) -> None:
    """Half of a merge: the events about a call may come before the call."""
    call = _say(ledger, Call(band=15, sex="male"))
    _void(ledger, call)
    made, void = ledger.events()
    assert fold([void]).calls == ()
    assert fold([void, made]) == fold([made, void])


# Any sequence of calls, corrections and voids

_BANDS = 4  # few, so that corrections cross between the same birds again and again

_steps = st.lists(
    st.tuples(
        st.sampled_from(["call", "correct", "correct", "void"]),
        st.integers(0, 99),  # which earlier call, modulo their number
        st.builds(
            Call,
            band=st.integers(1, _BANDS),
            sex=st.sampled_from([None, "male", "female", "unsure"]),
            weight_g=st.sampled_from([None, 310.0, 396.8933]),
            pen=st.sampled_from([None, "6", "7"]),
        ),
    ),
    max_size=14,
)


@given(steps=_steps, seed=st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_tables_rebuild_and_shuffled_fold_agree(steps: list[tuple[str, int, Call]], seed: int) -> None:
    with tempfile.TemporaryDirectory() as folder, Ledger.open(Path(folder) / "yard.db") as ledger:
        ledger.db.execute("PRAGMA synchronous=OFF")  # speed: no plug is pulled here
        made: list[Event] = []
        for kind, which, call in steps:
            earlier = made[which % len(made)] if made else None
            if kind == "void" and earlier:
                _void(ledger, earlier)
            else:
                made.append(_say(ledger, call, corrects=earlier if kind == "correct" else None))
        events = list(ledger.events())
        incremental = _tables(ledger)
        ledger.rebuild()
        assert _tables(ledger) == incremental

        book = fold(events)
        shuffled = events + events[: len(events) // 2]  # a merge may bring an event twice
        random.Random(seed).shuffle(shuffled)
        assert fold(shuffled) == book
        assert {call.id: call.state for call in book.calls} == _states_by_definition(events)
        assert [(row["id"], row["state"]) for row in incremental[0]] == sorted(
            ((call.id, call.state) for call in book.calls),
            key=lambda pair: next((call.band, call.id) for call in book.calls if call.id == pair[0]),
        )
        assert {row["band"]: row["calls"] for row in incremental[1]} == {
            band: len(bird.calls) for band, bird in book.birds.items()
        }


def _states_by_definition(events: list[Event]) -> dict[str, str]:
    """The rule of `project.py` read upwards, from a call to its corrections."""
    made = {event.id: event.fact for event in events if isinstance(event.fact, CallMade)}
    voided = {event.fact.target for event in events if isinstance(event.fact, CallVoided)}

    def replaced(call: str) -> bool:
        corrections = [other for other, fact in made.items() if fact.supersedes == call]
        return any(correction not in voided or replaced(correction) for correction in corrections)

    return {call: "voided" if call in voided else "superseded" if replaced(call) else "effective" for call in made}


def _tables(ledger: Ledger) -> list[list[dict[str, object]]]:
    return [list(ledger.db.query(f"SELECT * FROM {table}")) for table in ("call", "bird")]
