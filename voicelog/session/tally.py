"""Tally: birds without bands, one word a bird, counted by sex."""

from __future__ import annotations

from dataclasses import replace

from voicelog.grammar.utterance import CallSaid, Command, NotUnderstood
from voicelog.ledger.events import CallVoided, ListeningPaused, SessionFinished
from voicelog.ledger.flock_facts import Counted
from voicelog.session import wording
from voicelog.session.outcome import Outcome, do, refuse, say_again, tell
from voicelog.session.policy import SAY_AGAIN, Policy, judge
from voicelog.session.state import State, written
from voicelog.session.turn import Reply, Turn
from voicelog.values import Call, Sex, Verdict

COUNT_ERROR = 10.0
"""What a bird counted wrongly costs, in questions: the split is off by one, and the word said back told it."""


def _policy(state: State) -> Policy:
    """A tally puts no questions: a word is counted or said again, whichever is cheaper."""
    settings = state.settings.policy
    accept_from = min(settings.accept_from, 1 - SAY_AGAIN / COUNT_ERROR)
    return replace(settings, accept_from=accept_from, ask_from=min(settings.ask_from, accept_from))


def hear_tally(state: State, turn: Turn) -> Outcome:
    """A sex counts one bird; what is not heard surely is said again, since a question would take longer."""
    match turn.utterance:
        case CallSaid(call=Call(band=None, sex=sex) as said) if sex is not None and said.said() == {"sex": sex}:
            heard = judge(_policy(state), turn.certainty, turn.doubts)
            return _count(state, turn, sex) if heard.verdict is Verdict.ACCEPT else say_again(state, heard.reason)
        case Command():
            return _command(state, turn, turn.utterance)
        case NotUnderstood(why=why):
            return say_again(state, why)
        case _:
            return say_again(state, "a tally counts birds without bands by one word each")


def _count(state: State, turn: Turn, sex: Sex) -> Outcome:
    purpose = state.purpose
    fact = Counted(sex=sex, lot=purpose.lot, pen=purpose.pen)
    after = written(state, turn.id, fact)
    readback = Reply(wording.counted(sex, after.tally[sex]), earcon="accept", kind="readback")
    total = len(after.counted)
    every_ten = (Reply(wording.cardinal(total), earcon=None, kind="reminder"),) if total % 10 == 0 else ()
    return Outcome(
        after,
        Verdict.ACCEPT,
        "heard surely",
        facts=((turn.id, fact),),
        replies=(readback, *every_ten),
        record=Call(sex=sex),
    )


def _command(state: State, turn: Turn, said: Command) -> Outcome:
    heard = judge(_policy(state), turn.certainty, turn.doubts)
    only_asks = said.name in ("how many", "repeat")
    if heard.verdict is Verdict.REJECT or (heard.verdict is Verdict.ASK and not only_asks):
        return say_again(state, heard.reason)
    match said.name:
        case "how many":
            return tell(state, wording.tally(state.tally), "how many are counted")
        case "repeat":
            return tell(state, state.last_reply or wording.NOTHING_SAID, "the last reply again")
        case "strike":
            if not state.counted:
                return refuse(state, wording.NOTHING_TO_STRIKE, "nothing is counted")
            last_id, sex = state.counted[-1]
            text = wording.uncounted(sex, state.tally[sex] - 1)
            return do(state, turn.id, CallVoided(target=last_id), text, "strike that")
        case "pause":
            return do(state, turn.id, ListeningPaused(), wording.PAUSED, "pause")
        case "note":
            return tell(replace(state, noting=True), wording.note_on(None), "note")
        case "finish":
            text = wording.split(state.tally, state.purpose.males_to)
            return do(state, turn.id, SessionFinished(seen=len(state.counted)), text, "finish")
        case _:
            return say_again(state, f"{said.name} has no meaning in a tally")
