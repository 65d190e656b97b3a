"""What holds for every dialogue, whatever is said in whatever order.

The ledger's own fold (`voicelog.ledger.fold`, written apart from the dialogue) is the second opinion on
which calls stand. Digits of readbacks are parsed back one by one, as ICAO Doc 9432 (Manual of
Radiotelephony) and ICAO Annex 10 vol. II, 5.2.1.4 have them spoken.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Literal, get_args

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from voicelog.grammar.utterance import Answer, CallSaid, Command, CommandName, NotUnderstood, Utterance
from voicelog.ledger import Book, Event, fold
from voicelog.ledger.events import CallMade, Fact, ListeningResumed, NoteKept, fact_adapter
from voicelog.session import Known, Outcome, Policy, Settings, State, Turn, expects, left, resume, start, step
from voicelog.values import Call, Condition, Sex, Verdict

ROSTER = (1, 2, 3, 16, 42, 60, 107)
KNOWN = {
    1: Known("female", "at six weeks"),
    2: Known("male", "at six weeks"),
    3: Known("unsure", "at six weeks"),
}
POLICY = Policy(accept_from=0.8, ask_from=0.3)
SPELT = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]


PARTS: list[dict[str, object]] = [
    {},
    {"sex": "male"},
    {"sex": "female"},
    {"sex": "unsure"},
    {"sex": "male", "foam": "yes", "weight_g": 410.07},
    {"foam": "no", "gland": "no"},
    {"weight_g": 900.0},
    {"weight_g": 0.01},
    {"breast": "rust", "fate": "grow out", "pen": "12"},
    {"condition": "dead"},
    {"condition": "fine", "pen": "north"},
]
# Most calls are about few birds, and most of what is said is calls, so that calls meet.
BANDS = (None, None, None, 42, 42, 1, 2, 3, 60, 99)
CALLS: list[Utterance] = [CallSaid(call=Call.model_validate(part | {"band": band})) for band in BANDS for part in PARTS]
WORDS: list[Utterance] = [Command(name=name) for name in get_args(CommandName)]
BUSY: list[Utterance] = [Command(name=name) for name in ("strike", "strike", "correction", "correction", "note")]
ANSWERS: list[Utterance] = [Answer(yes=True), Answer(yes=True), Answer(yes=False)]
UTTERANCES = [*CALLS, *WORDS, *BUSY * 12, *ANSWERS * 10, NotUnderstood(why="noise")]

turns = st.builds(
    lambda utterance, certainty, rival, doubts: Turn("", utterance, "", certainty, rival, doubts),
    st.sampled_from(UTTERANCES),
    st.sampled_from([0.95] * 16 + [1.0, 0.8, 0.79, 0.5, 0.3, 0.29, 0.0, math.nan]),
    st.sampled_from([None, None, *CALLS[-40:], *ANSWERS]),
    st.sampled_from([()] * 12 + [("cut short",)]),
)


def event_id(number: int) -> str:
    return f"00000000-0000-7000-8000-{number:012x}"


def numbered(drawn: list[Turn]) -> list[Turn]:
    """The turns with ids in the order in which they are heard."""
    return [replace(turn, id=event_id(number)) for number, turn in enumerate(drawn)]


talks = st.lists(turns, min_size=10, max_size=25).map(numbered)
quick = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])

CORRECTED_TWICE_AND_STRUCK = numbered(
    [
        Turn("", utterance, "", 1.0)
        for utterance in (
            CallSaid(call=Call(band=42, sex="male")),
            Command(name="correction"),
            CallSaid(call=Call(sex="female")),
            Command(name="correction"),
            CallSaid(call=Call(band=60, sex="unsure")),
            Command(name="strike"),
            Command(name="strike"),
            Command(name="correction"),
            CallSaid(call=Call(band=60)),
            Command(name="strike"),
            Command(name="strike"),
        )
    ]
)


def hear(
    talk: list[Turn], readback: Literal["full", "brief", "tones"] = "brief"
) -> Iterator[tuple[State, Turn, Outcome]]:
    """Every turn with the state before it and what came of it."""
    state = start(ROSTER, KNOWN, Settings(POLICY, readback))
    for turn in talk:
        outcome = step(state, turn)
        yield state, turn, outcome
        state = outcome.state


def kept(facts: list[tuple[str, Fact]]) -> list[tuple[str, Fact]]:
    """The facts as the ledger gives them back: through their text form, which checks them again."""
    return [(written_id, fact_adapter.validate_json(fact_adapter.dump_json(fact))) for written_id, fact in facts]


def book_of(facts: list[tuple[str, Fact]]) -> Book:
    return fold(
        Event(
            id=written_id,
            session="s",
            fact=fact,
            device="d",
            seq=seq,
            at=datetime(2024, 5, 1, tzinfo=UTC),
            zone="+00:00",
            prev="0" * 64,
            hash="0" * 64,
        )
        for seq, (written_id, fact) in enumerate(facts, start=1)
    )


def number_of(words: str) -> str:
    """The digits of a number spoken digit by digit; a word that is no digit is an error."""
    return "".join("." if word == "point" else str(SPELT.index(word)) for word in words.split())


def call_of(readback: str) -> Call:
    """The record that a readback tells, by a reader that shares nothing with the wording under test."""
    told = re.fullmatch(r"(?:corrected: )?(?:band )?(?P<record>.*?)(?:, not (?P<other>[a-z ]+))?", readback)
    assert told
    band, *slots = told["record"].split(", ")
    call: dict[str, object] = {"band": int(number_of(band))}
    for words in slots:
        if words.endswith(" grams"):
            call["weight_g"] = float(number_of(words.removesuffix(" grams")))
        elif words.startswith("to pen "):
            pen = words.removeprefix("to pen ")
            call["pen"] = pen if pen == "north" else number_of(pen)
        elif words.startswith(("foam ", "gland ", "breast ")):
            slot, call[slot] = words.split()
        elif words in get_args(Sex):
            call["sex"] = words
        else:
            call["condition" if words in get_args(Condition) else "fate"] = words
    return Call.model_validate(call)


@quick
@given(talks, st.sampled_from(["full", "brief", "tones"]))
def test_only_what_is_accepted_is_written(talk: list[Turn], readback: Literal["full", "brief", "tones"]) -> None:
    for _, _, outcome in hear(talk, readback):
        if outcome.verdict is not Verdict.ACCEPT:
            assert outcome.facts == ()
        made = [fact.call for _, fact in outcome.facts if isinstance(fact, CallMade)]
        if outcome.verdict is Verdict.ASK:
            assert outcome.record is not None
            assert expects(outcome.state) == "answer"
        else:
            assert outcome.record == (made[0] if made else None)
        assert len(outcome.facts) <= 1


@quick
@given(talks, st.sampled_from(["full", "brief"]))
def test_every_call_that_is_written_is_read_back(talk: list[Turn], readback: Literal["full", "brief"]) -> None:
    for _, _, outcome in hear(talk, readback):
        told = [call_of(reply.text) for reply in outcome.replies if reply.kind == "readback"]
        assert told == [fact.call for _, fact in outcome.facts if isinstance(fact, CallMade)]


@quick
@given(talks)
def test_a_record_holds_what_was_said_and_nothing_else(talk: list[Turn]) -> None:
    by_id = {turn.id: turn for turn in talk}
    records: dict[str, Call] = {}
    for before, _, outcome in hear(talk):
        for written_id, fact in outcome.facts:
            if not isinstance(fact, CallMade):
                continue
            utterance = by_id[written_id].utterance
            assert isinstance(utterance, CallSaid)
            said = utterance.call.model_dump(exclude_none=True)
            if "weight_g" in said:
                said["weight_g"] = min(max(round(said["weight_g"], 1), 0.1), 999.9)
            if "band" not in said and fact.supersedes:
                said = records[fact.supersedes].model_dump(exclude_none=True) | said
            elif "band" not in said:
                said["band"] = before.in_hand
            assert fact.call.model_dump(exclude_none=True) == said
            assert fact.call.band in ROSTER
            records[written_id] = fact.call


@quick
@given(talks)
def test_what_was_not_heard_surely_is_written_only_after_a_sure_yes(talk: list[Turn]) -> None:
    by_id = {turn.id: turn for turn in talk}
    for before, turn, outcome in hear(talk):
        for written_id, fact in outcome.facts:
            if isinstance(fact, NoteKept):
                continue
            assert turn.certainty >= POLICY.accept_from
            assert turn.doubts == ()
            if isinstance(fact, CallMade) and written_id != turn.id:
                if isinstance(turn.utterance, CallSaid):  # it chose one of two readings that were asked about
                    assert before.pending is not None and before.pending.other is not None
                    assert fact.call in (before.pending.entry.call, before.pending.other)
                    assert turn.utterance.call.over(fact.call) == fact.call
                else:
                    assert turn.utterance == Answer(yes=True)
                    assert fact.confirmed_by == turn.id
                assert by_id[written_id].certainty >= POLICY.ask_from
            elif isinstance(fact, CallMade):
                assert fact.confirmed_by is None


@quick
@given(talks)
@example(CORRECTED_TWICE_AND_STRUCK)
def test_the_ledger_agrees_on_the_calls_that_stand_and_the_birds_that_are_left(talk: list[Turn]) -> None:
    facts: list[tuple[str, Fact]] = []
    for _, _, outcome in hear(talk):
        facts.extend(outcome.facts)
        if not outcome.facts:
            continue
        book = book_of(kept(facts))
        standing = {call.id: call.call for call in book.calls if call.state == "effective"}
        assert {entry.id: entry.call for entry in outcome.state.calls} == standing
        birds = {band: bird.known for band, bird in book.birds.items()}
        not_done = [
            band
            for band in ROSTER
            if band not in birds or (birds[band].sex is None and birds[band].condition != "dead")
        ]
        assert left(outcome.state) == not_done


@quick
@given(talks)
@example(CORRECTED_TWICE_AND_STRUCK)
def test_a_session_resumed_from_its_facts_stands_where_it_stood(talk: list[Turn]) -> None:
    facts: list[tuple[str, Fact]] = []
    for _, _, outcome in hear(talk):
        facts.extend(outcome.facts)
        resumed = resume(ROSTER, kept(facts), KNOWN, Settings(POLICY))
        stands, stood = resumed, outcome.state
        assert (stands.calls, stands.in_hand, stands.mode) == (stood.calls, stood.in_hand, stood.mode)
        assert (stands.most_done, left(stands)) == (stood.most_done, left(stood))


@quick
@given(talks)
def test_nothing_is_said_or_kept_while_paused_or_finished_but_resume(talk: list[Turn]) -> None:
    for before, turn, outcome in hear(talk):
        resumes = [isinstance(fact, ListeningResumed) for _, fact in outcome.facts]
        if expects(before) == "finished" or (expects(before) == "paused" and not any(resumes)):
            assert (outcome.state, outcome.facts, outcome.replies) == (before, (), ())
            assert outcome.verdict is Verdict.REJECT
        else:
            assert outcome.replies
        assert any(resumes) <= (turn.utterance == Command(name="resume"))


@quick
@given(talks)
def test_a_count_is_reminded_of_once(talk: list[Turn]) -> None:
    told = Counter(reply.text for _, _, outcome in hear(talk) for reply in outcome.replies if reply.kind == "reminder")
    assert told["five left"] <= 1
    assert set(told) <= {"five left", "all done"}


@quick
@given(talks)
def test_a_part_never_goes_to_a_bird_when_another_was_named_since(talk: list[Turn]) -> None:
    """The silent error of split calls: "band nine nine" is refused, and "male" goes to the bird before."""
    named: int | None = None
    for before, turn, outcome in hear(talk):
        call = turn.utterance.call if isinstance(turn.utterance, CallSaid) else Call()
        listening = expects(before) in ("call", "answer")
        if listening and call.band is not None and turn.certainty >= POLICY.ask_from:
            named = call.band
        for written_id, fact in outcome.facts:
            if isinstance(fact, CallMade) and fact.supersedes is None and written_id == turn.id:
                assert named is None or fact.call.band == named
            named = fact.call.band if isinstance(fact, CallMade) else named
            named = None if fact.kind == "void" else named
