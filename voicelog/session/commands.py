"""Session words: how many, who, repeat, strike, correction, note, pause, resume, finish."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from voicelog.grammar.utterance import Command, CommandName
from voicelog.ledger.events import (
    CallVoided,
    Fact,
    ListeningPaused,
    ListeningResumed,
    NoteKept,
    SessionFinished,
)
from voicelog.ledger.flock_facts import Retracted
from voicelog.session import wording
from voicelog.session.outcome import Outcome, do, refuse, say_again, tell
from voicelog.session.policy import judge
from voicelog.session.state import Entry, State, bird_in_hand, done, left, next_band, sexes, written
from voicelog.session.turn import Reply, Turn
from voicelog.values import Verdict


def hear_command(state: State, turn: Turn, name: CommandName) -> Outcome:
    """What only asks is answered when heard fairly; what changes anything must be heard surely."""
    heard = judge(state.settings.policy, turn.certainty, turn.doubts)
    if heard.verdict is Verdict.ACCEPT or (heard.verdict is Verdict.ASK and name in _ONLY_ASK):
        return _HEARD[name](state, turn)
    return say_again(state, heard.reason)


def hear_while_paused(state: State, turn: Turn) -> Outcome:
    """Nothing but resume, heard surely, is listened to; the rest is not even refused aloud."""
    heard = judge(state.settings.policy, turn.certainty, turn.doubts)
    if turn.utterance != Command(name="resume") or heard.verdict is not Verdict.ACCEPT:
        return Outcome(state, Verdict.REJECT, "listening is paused")
    tally = wording.tally(state.tally) if state.purpose.kind == "tally" else None
    text = wording.listening(bird_in_hand(state), tally or wording.left(len(left(state))))
    return do(state, turn.id, ListeningResumed(), text, "resume")


def keep_note(state: State, turn: Turn) -> Outcome:
    """Whatever sounds after the word note is the note."""
    note = NoteKept(band=bird_in_hand(state))
    return do(replace(state, noting=False), turn.id, note, wording.NOTE_KEPT, "a note was asked for")


def drop_question(state: State, reason: str) -> Outcome:
    """The call that was asked about is not written; a correction still waits for the right call."""
    text = wording.still_wrong(state.calls[-1].band) if state.correcting else wording.NOT_WRITTEN
    return tell(replace(state, pending=None), text, reason)


def cancel_correction(state: State) -> Outcome:
    """The call that was to be corrected stays as it is."""
    text = wording.stays(state.calls[-1].call)
    return tell(replace(state, correcting=False), text, "the correction was called off")


def _how_many(state: State, turn: Turn) -> Outcome:
    if state.purpose.kind == "banding":
        text = wording.banded(len(state.banded), next_band(state))
        return _with_question(tell(state, text, "how many are banded"))
    return _with_question(tell(state, wording.left(len(left(state))), "how many are left"))


def _who(state: State, turn: Turn) -> Outcome:
    return _with_question(tell(state, wording.who_is_left(left(state)), "who is left"))


def _repeat(state: State, turn: Turn) -> Outcome:
    if state.pending:
        return _with_question(Outcome(state, Verdict.ACCEPT, "the question again"))
    if not state.last_reply:
        return refuse(state, wording.NOTHING_SAID, "nothing was said yet")
    return tell(state, state.last_reply, "the last reply again")


def _with_question(outcome: Outcome) -> Outcome:
    """A question that waits is put again after whatever else is said."""
    pending = outcome.state.pending
    if pending is None:
        return outcome
    question = Reply(pending.question, earcon="ask", kind="question")
    return replace(outcome, replies=(*outcome.replies, question))


def _strike(state: State, turn: Turn) -> Outcome:
    if state.pending:
        return drop_question(state, "strike instead of an answer")
    if not state.calls:
        return refuse(state, wording.NOTHING_TO_STRIKE, "no call of this session is in effect")
    last = state.calls[-1]
    band_off = _band_off(state, turn, last)
    text = wording.struck(last.call, last.instead_of.call if last.instead_of else None)
    outcome = do(replace(state, correcting=False), turn.id, CallVoided(target=last.id), text, "strike that")
    for event_id, fact in band_off:
        outcome = replace(
            outcome, state=written(outcome.state, event_id, fact), facts=(*outcome.facts, (event_id, fact))
        )
    return outcome


def _band_off(state: State, turn: Turn, last: Entry) -> tuple[tuple[str, Fact], ...]:
    """At a banding, striking all that was said of a bird takes its band back too."""
    others = [entry for entry in state.calls if entry is not last and entry.band == last.band]
    if last.band not in state.banded or others or last.instead_of:
        return ()
    return ((turn.spare_id, Retracted(target=state.banded[last.band], reason="struck")),)


def _correction(state: State, turn: Turn) -> Outcome:
    if state.pending:
        return drop_question(state, "correction instead of an answer")
    if state.correcting:
        return cancel_correction(state)
    if not state.calls:
        return refuse(state, wording.NOTHING_TO_CORRECT, "no call of this session is in effect")
    return tell(replace(state, correcting=True), wording.correct(state.calls[-1].band), "correction")


def _note(state: State, turn: Turn) -> Outcome:
    state, notice = _put_aside(state)
    return tell(replace(state, noting=True), wording.note_on(bird_in_hand(state)), "note", before=notice)


def _pause(state: State, turn: Turn) -> Outcome:
    state, notice = _put_aside(state)
    return do(state, turn.id, ListeningPaused(), wording.PAUSED, "pause", before=notice)


def _resume(state: State, turn: Turn) -> Outcome:
    return refuse(state, wording.NOT_PAUSED, "listening already")


def _finish(state: State, turn: Turn) -> Outcome:
    state, notice = _put_aside(state)
    kind = state.purpose.kind
    finished, remaining = done(state.calls, kind), left(state)
    if kind == "banding":
        remaining = []
    met = {entry.band for entry in state.calls}
    sex_of = sexes(state.calls)
    kinds = [sex_of.get(band, "dead") for band in finished]
    if kind in ("weighing", "roll call", "moving"):
        text = wording.finished_kind(kind, len(finished), [] if kind == "moving" else remaining, state.purpose.to)
        fact = SessionFinished(seen=len(finished), left=() if kind == "moving" else tuple(remaining))
        return do(state, turn.id, fact, text, "finish", before=notice)
    text = wording.finished(
        {kind: kinds.count(kind) for kind in ("male", "female", "unsure", "dead")},
        not_seen=[band for band in remaining if band not in met],
        no_sex=[band for band in remaining if band in met],
    )
    fact = SessionFinished(seen=len(finished), left=tuple(remaining))
    return do(state, turn.id, fact, text, "finish", before=notice)


def _put_aside(state: State) -> tuple[State, tuple[Reply, ...]]:
    """Leave an open question or correction, and say that it was left."""
    left_open = []
    if state.pending:
        left_open.append(wording.not_written(state.pending.entry.band))
    if state.correcting:
        left_open.append(wording.not_corrected(state.calls[-1].band))
    notice = tuple(Reply(text, earcon=None, kind="refusal") for text in left_open)
    return replace(state, pending=None, correcting=False), notice


_HEARD: dict[CommandName, Callable[[State, Turn], Outcome]] = {
    "how many": _how_many,
    "who": _who,
    "repeat": _repeat,
    "strike": _strike,
    "correction": _correction,
    "note": _note,
    "pause": _pause,
    "resume": _resume,
    "finish": _finish,
}
_ONLY_ASK: frozenset[CommandName] = frozenset({"how many", "who", "repeat"})
