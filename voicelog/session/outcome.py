"""What becomes of one turn."""

from __future__ import annotations

from dataclasses import dataclass

from voicelog.ledger.events import Fact
from voicelog.session import wording
from voicelog.session.state import State, written
from voicelog.session.turn import Reply
from voicelog.values import Call, Verdict


@dataclass(frozen=True, slots=True)
class Outcome:
    """The state after a turn, its verdict, and what to write before anything of `replies` is said.

    `facts` are (event id, fact) and come with `accept` only. `record` is the
    call that was written; with `ask`, the call that yes would write.
    """

    state: State
    verdict: Verdict
    reason: str
    facts: tuple[tuple[str, Fact], ...] = ()
    replies: tuple[Reply, ...] = ()
    record: Call | None = None


def refuse(state: State, text: str, reason: str, *, before: tuple[Reply, ...] = ()) -> Outcome:
    """A rejection that is said, after what `before` has to say."""
    return Outcome(state, Verdict.REJECT, reason, replies=(*before, Reply(text, earcon="reject", kind="refusal")))


def say_again(state: State, reason: str) -> Outcome:
    """Not heard: the handler says it again, or answers the question that waits."""
    if state.pending is None:
        return refuse(state, wording.SAY_AGAIN, reason)
    return refuse(state, state.pending.question if state.pending.other else wording.YES_OR_NO, reason)


def ask(state: State, reason: str) -> Outcome:
    """Put the question that waits, for the first time or again. `state` has one."""
    assert state.pending is not None
    return Outcome(
        state,
        Verdict.ASK,
        reason,
        replies=(Reply(state.pending.question, earcon="ask", kind="question"),),
        record=state.pending.entry.call,
    )


def tell(state: State, text: str, reason: str, *, before: tuple[Reply, ...] = ()) -> Outcome:
    """Something said on a word of the handler that writes nothing, after what `before` has to say."""
    reply = Reply(text, earcon=None, kind="answer")
    return Outcome(state, Verdict.ACCEPT, reason, replies=(*before, reply))


def do(state: State, event_id: str, fact: Fact, text: str, reason: str, *, before: tuple[Reply, ...] = ()) -> Outcome:
    """Something written on a word of the handler, and said after what `before` has to say."""
    reply = Reply(text, earcon="accept", kind="answer")
    return Outcome(
        written(state, event_id, fact),
        Verdict.ACCEPT,
        reason,
        facts=((event_id, fact),),
        replies=(*before, reply),
    )
