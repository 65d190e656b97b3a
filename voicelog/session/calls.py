"""A call is heard: written, asked about, or refused."""

from __future__ import annotations

from dataclasses import replace

from voicelog.grammar.utterance import CallSaid
from voicelog.ledger.events import CallMade, Fact
from voicelog.ledger.flock_facts import Banded
from voicelog.session import wording
from voicelog.session.outcome import Outcome, ask, refuse, say_again
from voicelog.session.policy import Judgement, judge
from voicelog.session.risks import Background, Risk, find_risks
from voicelog.session.state import Entry, Pending, State, bird_in_hand, done, left, next_band, written
from voicelog.session.turn import Reply, Turn
from voicelog.values import Call, Verdict


def hear_call(state: State, turn: Turn, said: Call) -> Outcome:
    """Whether a call is written, asked about or refused; what is asked is not written."""
    heard = _judge(state, turn, said)
    if heard.verdict is Verdict.REJECT:
        return say_again(state, heard.reason)
    if state.pending and state.pending.other and (said.band is None or not said.said()):
        return _choose(state, state.pending, turn, said, heard)
    if said.band is None and (state.pending or not said.said()):
        return say_again(state, "a question waits" if state.pending else "nothing was said of a bird")
    state, notice = _pass_over_question(state, said)
    outcome = _hear_fresh(state, turn, said, heard)
    return replace(outcome, replies=(*notice, *outcome.replies))


def _judge(state: State, turn: Turn, said: Call) -> Judgement:
    """How far the words are trusted.

    Where it was surely one of two readings that differ in one thing, a question that names both beats saying it
    all again.
    """
    policy = state.settings.policy
    rival = turn.rival.call if isinstance(turn.rival, CallSaid) and not turn.rival_doubted else None
    heard = judge(policy, turn.certainty, turn.doubts)
    one_of_two = turn.either >= policy.accept_from and rival is not None and _told_apart(said, rival)
    if heard.verdict is Verdict.REJECT and one_of_two:
        return Judgement(Verdict.ASK, f"one of two: {heard.reason}")
    return heard


def write(state: State, entry: Entry, confirmed_by: str | None, reason: str) -> Outcome:
    """Write a call, in place of the wrong one if it corrects one, and read it back from the record."""
    wrong = entry.instead_of
    fact = CallMade(call=entry.call, supersedes=wrong.id if wrong else None, confirmed_by=confirmed_by)
    facts = (*_banding(state, entry), (entry.id, fact))
    after = state
    for event_id, made in facts:
        after = written(after, event_id, made)
    after = replace(after, pending=None, correcting=False)
    text = wording.corrected(fact.call, wrong.band) if wrong else wording.readback(fact.call, state.settings.readback)
    readback = Reply(text, earcon="accept", kind="readback")
    return Outcome(
        after,
        Verdict.ACCEPT,
        reason,
        facts=facts,
        replies=(readback, *_reminder(state, after)),
        record=fact.call,
    )


def _hear_fresh(state: State, turn: Turn, said: Call, heard: Judgement) -> Outcome:
    """A call that was heard at least fairly, with no question open."""
    wrong = state.calls[-1] if state.correcting else None
    call = _whole(state, said, wrong)
    if call is None:
        return refuse(state, wording.WHICH_BAND, "no band was said and no bird is in hand")
    entry = Entry(turn.id, call, instead_of=wrong, spare_id=turn.spare_id)
    # Whatever becomes of the call, the handler now holds the bird that was named.
    state = replace(state, other_bird=state.other_bird or entry.band != state.in_hand)
    if entry.band in state.gone:
        return refuse(state, wording.is_gone(entry.band, state.gone[entry.band]), "that bird died or was sold")
    if entry.band not in state.roster:
        return refuse(state, wording.no_such_band(entry.band), f"band {entry.band} is not on the roster")
    risks = find_risks(call, _background(state, entry, turn, named=said.band is not None))
    if heard.verdict is Verdict.ACCEPT and not risks:
        return write(state, entry, confirmed_by=None, reason=heard.reason)
    reasons = [risk.known for risk in risks]
    if heard.verdict is Verdict.ACCEPT:
        return ask(replace(state, pending=Pending(entry, _face_risks(call, risks))), "; ".join(reasons))
    reasons.insert(0, heard.reason)
    # A question about one slot would leave a doubt about another unasked; and what cannot be answered is not asked.
    other = None if risks or turn.doubts or turn.rival_doubted else _other_reading(state, turn, call, wrong)
    if other is None:
        return ask(replace(state, pending=Pending(entry, _read_out(call, risks))), "; ".join(reasons))
    question = wording.which(call, other[0], *other[1])
    return ask(replace(state, pending=Pending(entry, question, other[0])), "; ".join(reasons))


def _choose(state: State, asked: Pending, turn: Turn, said: Call, heard: Judgement) -> Outcome:
    """One of two readings was asked for; the answer must be heard surely and fit exactly one of them."""
    readings = [call for call in (asked.entry.call, asked.other) if call is not None]
    fits = [call for call in readings if said.over(call) == call]
    if heard.verdict is not Verdict.ACCEPT or len(fits) != 1:
        return ask(state, f"the answer was not sure: {heard.reason if len(fits) == 1 else 'it fits neither or both'}")
    entry = asked.entry
    chosen = Turn(
        entry.id, CallSaid(call=fits[0]), turn.words, turn.certainty, spare_id=entry.spare_id, by_two=turn.by_two
    )
    return _hear_fresh(replace(state, pending=None), chosen, fits[0], heard)


def _pass_over_question(state: State, said: Call) -> tuple[State, tuple[Reply, ...]]:
    """A whole call answers no question: the call asked about is dropped, aloud if it is another bird's."""
    if state.pending is None:
        return state, ()
    band = state.pending.entry.band
    notice = Reply(wording.not_written(band), earcon=None, kind="refusal")
    return replace(state, pending=None), () if band == said.band else (notice,)


def _whole(state: State, said: Call, wrong: Entry | None) -> Call | None:
    """The call with its bird: the one named, else the one being corrected, else the bird in hand.

    None when that bird is not known. Weights are kept to a tenth of a gram.
    """
    if said.weight_g is not None:
        said = said.model_copy(update={"weight_g": min(max(round(said.weight_g, 1), 0.1), 999.9)})
    if state.purpose.kind == "moving" and said.pen is None:
        said = said.model_copy(update={"pen": state.purpose.to})
    if said.band is not None:
        return said
    if wrong:
        return said.over(wrong.call)
    # The sex is what is said first of a bird that gets its band; whatever follows is about the same bird.
    band = next_band(state) if state.purpose.kind == "banding" and said.sex is not None else bird_in_hand(state)
    return None if band is None else said.model_copy(update={"band": band})


def _background(state: State, entry: Entry, turn: Turn, named: bool) -> Background:
    wrong = entry.instead_of
    return Background(
        band=entry.band,
        calls=[earlier for earlier in state.calls if earlier is not wrong],
        known=state.known.get(entry.band),
        expected_weight_g=state.settings.expected_weight_g,
        corrected=wrong.call if wrong and wrong.band == entry.band else None,
        named=named,
        surely=turn.by_two and turn.certainty >= state.settings.policy.alike_from,
        kind=state.purpose.kind,
    )


def _face_risks(call: Call, risks: list[Risk]) -> str:
    """The question about a call heard surely: the one risk, or all of them and the whole call."""
    return f"{risks[0].known}; {risks[0].asks}" if len(risks) == 1 else _read_out(call, risks)


def _read_out(call: Call, risks: list[Risk]) -> str:
    """The question that reads out the whole call, after every risk."""
    return "; ".join([*(risk.known for risk in risks), wording.is_it(call)])


def _other_reading(state: State, turn: Turn, call: Call, wrong: Entry | None) -> tuple[Call, tuple[str, str]] | None:
    """The runner-up as a call, and the slots that tell the two apart; None where it is no such reading."""
    if not isinstance(turn.rival, CallSaid):
        return None
    other = _whole(state, turn.rival.call, wrong)
    if other is None or other.band not in state.roster:
        return None
    apart = _told_apart(call, other)
    return (other, apart) if apart else None


def _told_apart(call: Call, other: Call) -> tuple[str, str] | None:
    """The slot of either that tells two calls apart, when they differ in one slot that both say, or one says
    the sex where the other says a condition; else None."""
    differs = [name for name in Call.model_fields if getattr(other, name) != getattr(call, name)]
    ours, theirs = ([name for name in differs if getattr(reading, name) is not None] for reading in (call, other))
    one_each = len(ours) == len(theirs) == 1
    return (ours[0], theirs[0]) if one_each and (ours == theirs or {*ours, *theirs} == {"sex", "condition"}) else None


def _banding(state: State, entry: Entry) -> tuple[tuple[str, Fact], ...]:
    """At a banding, the first call about a bird puts its band on."""
    purpose = state.purpose
    if purpose.kind != "banding" or entry.band in state.banded:
        return ()
    return ((entry.spare_id, Banded(band=entry.band, lot=purpose.lot, pen=purpose.pen)),)


def _reminder(before: State, after: State) -> tuple[Reply, ...]:
    """How many remain, at every tenth bird and at five left, once each; and whenever the last one is done.

    At a banding, the next free band instead; at a move nothing, since not every bird is to go.
    """
    kind = after.purpose.kind
    if kind == "banding":
        following = next_band(after)
        changed = following != next_band(before)
        return (Reply(wording.next_free(following), earcon=None, kind="reminder"),) if changed else ()
    if kind == "moving":
        return ()
    count, remaining = len(done(after.calls, kind)), len(left(after))
    if count <= len(done(before.calls, kind)):
        return ()
    if remaining == 0:
        return (Reply(wording.ALL_DONE, earcon=None, kind="reminder"),)
    if count > before.most_done and (count % 10 == 0 or remaining == 5):
        return (Reply(wording.left(remaining), earcon=None, kind="reminder"),)
    return ()
