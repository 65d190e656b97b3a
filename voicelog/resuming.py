"""Going on with a session that ended without being finished: after a power cut, or left for later."""

from __future__ import annotations

from dataclasses import replace

from voicelog.beginning import Beginning, begin, opened
from voicelog.flock import Plans
from voicelog.ledger import Banded, Counted, Ledger, SessionStarted
from voicelog.session import Settings, State, resume
from voicelog.session.purpose import KINDS
from voicelog.session.state import bird_in_hand, left
from voicelog.session.wording import PAUSED, digits, listening, tally
from voicelog.session.wording import left as left_words
from voicelog.values import VoicelogError


def go_on(ledger: Ledger, plans: Plans, settings: Settings) -> tuple[Beginning, tuple[str, State]]:
    """The session that began last: how it began, its id, and where its facts leave it.

    Raises VoicelogError where none can be gone on with.
    """
    name, started = _last_started(ledger)
    if started.purpose == "moving":
        raise VoicelogError("a move cannot be gone on with: begin a new one for the birds that are left, with --to")
    kind = next(kind for kind in KINDS if kind == started.purpose)
    facts = [(event.id, event.fact) for event in ledger.events(session=name)]
    # The pen may hold another lot by now, or nothing without a band any more. Sessions once were kept without their
    # lot; what was banded or counted in them tells it.
    told = (fact.lot for _, fact in reversed(facts) if isinstance(fact, Banded | Counted))
    lot = started.lot or next(told, None)
    beginning = begin(ledger, plans, kind, roster=started.roster or None, pen=started.pen, lot=lot, going_on=True)
    # What this session itself called is no earlier knowledge, to be contradicted.
    own = {fact.call.band for _, fact in facts if fact.kind == "call"}
    known = {band: bird for band, bird in beginning.known.items() if band not in own}
    state = replace(resume(started.roster, facts, known, settings, beginning.purpose), gone=beginning.gone)
    if state.mode == "finished":
        raise VoicelogError("the last session is finished: begin a new one without --resume")
    opening = opened(ledger, _opening(state))
    return replace(beginning, roster=started.roster, known=known, opening=opening), (name, state)


def _last_started(ledger: Ledger) -> tuple[str, SessionStarted]:
    for name in reversed(ledger.sessions()):
        for event in ledger.events(session=name):
            if isinstance(event.fact, SessionStarted):
                return name, event.fact
    raise VoicelogError("no session to go on with in this ledger: begin one without --resume")


def where_it_stands(state: State) -> str:
    """How many are left, or what was counted so far."""
    return tally(state.tally) if state.purpose.kind == "tally" else left_words(len(left(state)))


def _opening(state: State) -> str:
    stands = where_it_stands(state)
    mode = f"{PAUSED}, {stands}" if state.mode == "paused" else listening(bird_in_hand(state), stands)
    return f"pen {digits(state.purpose.pen)}, {mode}" if state.purpose.pen else mode
