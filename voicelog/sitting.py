"""One session at work: what is heard goes through the rooms and onto the disk, then the reply comes back."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from voicelog.audio.views import views_of
from voicelog.grammar import Grammar, Grammars, NotUnderstood, snap, sounds_like
from voicelog.ledger import Draft, Ledger, SessionStarted, new_id
from voicelog.session import Kind, Outcome, State, Turn, expects, step
from voicelog.values import SAMPLE_RATE, Call, Frames, Heard, Verdict, VoicelogError, Word

if TYPE_CHECKING:
    from voicelog.hearing import Recogniser

GRAMMAR_OF = {"answer": "answer", "paused": "paused", "finished": "paused"}
"""Which grammar file listens in which state of the dialogue, where it is not that of the session's kind."""

GRAMMAR_OF_KIND: dict[Kind, str] = {"tally": "tally", "weighing": "weigh", "roll call": "roll", "moving": "roll"}
"""Which grammar file listens for calls, where it is not that of a check."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of one utterance. Times in seconds."""

    heard: str
    certainty: float
    outcome: Outcome
    audio_s: float
    compute_s: float

    @property
    def reply(self) -> str:
        return ". ".join(reply.text for reply in self.outcome.replies if reply.text)


class Sitting:
    """Hears utterances of one session, in order.

    Everything that a turn writes is committed, and its sound kept, before the
    turn comes back with its replies. Without a ledger nothing is kept.
    """

    def __init__(
        self,
        grammars: Grammars,
        state: State,
        *,
        recogniser: Recogniser | None = None,
        ledger: Ledger | None = None,
        keep_sound: bool = True,
    ) -> None:
        self._grammars = grammars
        self.state = state
        self._recogniser = recogniser
        self._ledger = ledger
        self._keep_sound = keep_sound
        self._asked: tuple[str, Turn, Frames | None] | None = None
        self.session = new_id()
        if ledger is not None:
            purpose = state.purpose
            started = SessionStarted(roster=state.roster, purpose=purpose.kind, pen=purpose.pen)
            ledger.append(Draft(id=new_id(), session=self.session, fact=started))

    @property
    def grammar(self) -> Grammar:
        """What is listened for now: after a question that names two readings, those two."""
        pending = self.state.pending
        if pending is not None and pending.other is not None and expects(self.state) == "answer":
            return self._grammars.choose((pending.entry.call, pending.other), self.state.roster)
        of_kind = GRAMMAR_OF_KIND.get(self.state.purpose.kind, "call")
        return self._grammars.compile(GRAMMAR_OF.get(expects(self.state), of_kind), self.state.roster)

    def hear(self, frames: Frames, *, raw: Frames | None = None, cut_short: bool = False) -> Taken:
        """One utterance as sound, shape (samples,), int16, 16 kHz mono; `raw` is what is kept of it."""
        began = time.perf_counter()
        if self._recogniser is None:
            raise VoicelogError("this session has no recogniser: type the calls")
        grammar = self.grammar
        if expects(self.state) == "note":
            heard = Heard((), 1.0, self._recogniser.name)
        else:
            self._recogniser.listen_for(grammar.network)
            heard = self._recogniser.hear(views_of(frames, raw))
        doubts = self._doubts(grammar, heard)
        if cut_short:
            doubts = (*doubts, "the call was cut off")
        return self._take(grammar, heard, doubts, frames if raw is None else raw, began, len(frames) / SAMPLE_RATE)

    def _doubts(self, grammar: Grammar, heard: Heard) -> tuple[str, ...]:
        """Why words that were heard fairly may be wrong all the same: another live wording sounds like them."""
        alike = sounds_like([word.text for word in heard.words], grammar.network, self._grammars.sounds)
        sure = heard.certainty >= self.state.settings.policy.alike_from
        return heard.doubts if sure or alike is None else (*heard.doubts, alike)

    def type(self, text: str) -> Taken:
        """One utterance as typed words."""
        began = time.perf_counter()
        grammar = self.grammar
        snapped = snap(text, grammar.network, self._grammars.digits, self._grammars.number_words)
        words = tuple(Word(word, 0.0, 0.0, 1.0) for word in snapped.words)
        return self._take(grammar, Heard(words, 1.0, "typed"), snapped.doubts, None, began, 0.0)

    def _take(
        self,
        grammar: Grammar,
        heard: Heard,
        doubts: tuple[str, ...],
        sound: Frames | None,
        began: float,
        audio_s: float,
    ) -> Taken:
        utterance = grammar.understand(tuple(word.text for word in heard.words))
        rival = grammar.understand(heard.runner_up) if heard.runner_up else None
        spare_id = new_id()
        turn = Turn(
            new_id(),
            utterance,
            heard.text,
            heard.certainty,
            rival=None if isinstance(rival, NotUnderstood) else rival,
            doubts=doubts,
            spare_id=spare_id,
        )
        outcome = step(self.state, turn)
        self._write(outcome, turn, sound, heard.engine)
        self.state = outcome.state
        return Taken(heard.text, heard.certainty, outcome, audio_s, time.perf_counter() - began)

    def _write(self, outcome: Outcome, turn: Turn, sound: Frames | None, engine: str) -> None:
        pending = outcome.state.pending
        if pending is not None and pending.entry.id == turn.id:
            self._asked = (turn.id, turn, sound)
        for event_id, fact in outcome.facts:
            said, kept = turn, sound
            if self._asked is not None and self._asked[0] == event_id:
                _, said, kept = self._asked
            if self._ledger is None:
                continue
            if kept is not None and self._keep_sound and fact.kind in ("call", "note", "counted"):
                from voicelog.audio import keep_sound

                keep_sound(self._ledger.sound_path(event_id), kept)
            self._ledger.append(
                Draft(
                    id=event_id,
                    session=self.session,
                    fact=fact,
                    words=said.words,
                    certainty=min(max(said.certainty, 0.0), 1.0),
                    engine=engine,
                    verdict=Verdict.ACCEPT,
                )
            )


RECORD_SLOTS = tuple(slot for slot in Call.model_fields if slot != "colour")


def record_of(call: Call | None) -> dict[str, object] | None:
    """A record as the JSON lines have it: every slot, null where it was not said; a colour only where it was."""
    if call is None:
        return None
    return {slot: getattr(call, slot) for slot in RECORD_SLOTS} | ({"colour": call.colour} if call.colour else {})
