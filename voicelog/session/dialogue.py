"""The dialogue: what is heard in, facts to write and things to say out. No sound, no storage, no clock."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from voicelog.grammar.utterance import Answer, CallSaid, Command, NotUnderstood
from voicelog.session import commands, wording
from voicelog.session.calls import hear_call, write
from voicelog.session.outcome import Outcome, ask, refuse, say_again
from voicelog.session.policy import judge
from voicelog.session.state import State
from voicelog.session.tally import hear_tally
from voicelog.session.turn import Reply, Turn
from voicelog.values import Verdict

Expects = Literal["call", "answer", "note", "paused", "finished"]


def expects(state: State) -> Expects:
    """What to listen for next. After "note" the next sound is kept as it is, whatever it says."""
    match state:
        case State(mode="paused" | "finished" as mode):
            return mode
        case State(noting=True):
            return "note"
        case _:
            return "answer" if state.pending else "call"


def step(state: State, turn: Turn) -> Outcome:
    """Hear one turn. The caller writes the facts of the outcome to disk, then says its replies."""
    outcome = _hear(state, turn)
    return replace(
        outcome,
        state=replace(outcome.state, last_reply=_worth_repeating(outcome.replies) or state.last_reply),
        replies=tuple(_as_sounded(reply, state) for reply in outcome.replies),
    )


def _hear(state: State, turn: Turn) -> Outcome:
    match expects(state):
        case "call" if state.purpose.kind == "tally":
            return hear_tally(state, turn)
        case "finished":
            return Outcome(state, Verdict.REJECT, "the session is finished")
        case "paused":
            return commands.hear_while_paused(state, turn)
        case "note":
            return commands.keep_note(state, turn)
        case "call" | "answer":
            return _hear_open(state, turn)


def _hear_open(state: State, turn: Turn) -> Outcome:
    match turn.utterance:
        case CallSaid(call=call):
            return hear_call(state, turn, call)
        case Answer(yes=yes):
            return _hear_answer(state, turn, yes)
        case Command(name=name):
            return commands.hear_command(state, turn, name)
        case NotUnderstood(why=why):
            return say_again(state, why)


def _hear_answer(state: State, turn: Turn, yes: bool) -> Outcome:
    """Yes writes, so it must be heard surely; no writes nothing and may be heard fairly."""
    heard = judge(state.settings.policy, turn.certainty, turn.doubts)
    understood = heard.verdict is Verdict.ACCEPT or (heard.verdict is Verdict.ASK and not yes)
    if state.pending:
        if yes and state.pending.other:
            return ask(state, "yes does not say which")
        if not understood:
            return ask(state, f"the answer was not sure: {heard.reason}")
        if yes:
            return write(state, state.pending.entry, confirmed_by=turn.id, reason="confirmed")
        return commands.drop_question(state, "the answer was no")
    if not understood:
        return say_again(state, heard.reason)
    if state.correcting and not yes:
        return commands.cancel_correction(state)
    return refuse(state, wording.NOTHING_ASKED, "no question waits")


def _worth_repeating(replies: tuple[Reply, ...]) -> str:
    """What "repeat" says later: all that was said, unless it only asked to be told again."""
    said = ". ".join(reply.text for reply in replies)
    return "" if said in {wording.SAY_AGAIN, wording.YES_OR_NO} else said


def _as_sounded(reply: Reply, state: State) -> Reply:
    """With tones alone a readback is its earcon; everything else is always spoken."""
    silent = reply.kind == "readback" and state.settings.readback == "tones"
    return replace(reply, text="") if silent else reply
