"""One session at work: what is heard goes through the rooms and onto the disk, then the reply comes back."""

from __future__ import annotations

import time
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.audio.level import is_faint
from voicelog.audio.sibilance import begins_with_sibilant
from voicelog.audio.views import views_of
from voicelog.audio.voicing import has_voice
from voicelog.grammar import (
    CallSaid,
    Command,
    Grammar,
    Grammars,
    NotUnderstood,
    Place,
    Typed,
    Utterance,
    hiss_tells_apart,
    may_have_been,
    read_typed,
    sounds_like,
    taken_for,
)
from voicelog.grammar.utterance import CommandName
from voicelog.hearing.noise import is_drowned
from voicelog.ledger import Draft, Ledger, SessionStarted, new_id
from voicelog.session import Kind, Outcome, Reply, State, Turn, by_custom, expects, odds, step, wording
from voicelog.values import SAMPLE_RATE, Call, Check, Frames, Heard, Verdict, VoicelogError, Word, unchecked

if TYPE_CHECKING:
    from voicelog.hearing import Recogniser

GRAMMAR_OF = {"answer": "answer", "paused": "paused", "finished": "paused"}
"""Which grammar file listens in which state of the dialogue, where it is not that of the session's kind."""

GRAMMAR_OF_KIND: dict[Kind, str] = {"tally": "tally", "weighing": "weigh", "roll call": "roll", "moving": "roll"}
"""Which grammar file listens for calls, where it is not that of a check."""


ANY_BAND = range(1, 1000)
"""What is taken for a band where it is typed, though no bird of the roster wears it."""

FAINT = "the sound is very faint"
DROWNED = "the noise is nearly as loud as the voice"
BY_CUSTOM = "it is likely only because it is usual"


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


@dataclass(frozen=True, slots=True)
class Listened:
    """One utterance as it was heard, before anything came of it; `sound` is what is kept of it.

    `meant` is what it means where words alone do not tell: typed words may hold numbers in figures.
    """

    grammar: Grammar
    heard: Heard
    doubts: tuple[str, ...]
    sound: Frames | None
    audio_s: float
    compute_s: float
    meant: Utterance | None = None

    @property
    def utterance(self) -> Utterance:
        if self.meant is not None:
            return self.meant
        return self.grammar.understand(tuple(word.text for word in self.heard.words))


class Sitting:
    """Hears utterances of one session, in order.

    Everything that a turn writes is committed, and its sound kept, before the
    turn comes back with its replies. Without a ledger nothing is kept. `session`
    is the id of one that is gone on with.
    """

    def __init__(
        self,
        grammars: Grammars,
        state: State,
        *,
        recogniser: Recogniser | None = None,
        ledger: Ledger | None = None,
        keep_sound: bool = True,
        session: str | None = None,
    ) -> None:
        self._grammars = grammars
        self.state = state
        self._recogniser = recogniser
        self._ledger = ledger
        self._keep_sound = keep_sound
        self._asked: tuple[str, Turn, Frames | None] | None = None
        self.session = session or new_id()
        if ledger is not None and session is None:
            purpose = state.purpose
            started = SessionStarted(roster=state.roster, purpose=purpose.kind, pen=purpose.pen, lot=purpose.lot)
            ledger.append(Draft(id=new_id(), session=self.session, fact=started))

    def again(self, state: State) -> Sitting:
        """The session after this one: the same ears, grammars and ledger."""
        return Sitting(
            self._grammars, state, recogniser=self._recogniser, ledger=self._ledger, keep_sound=self._keep_sound
        )

    @property
    def number_words(self) -> frozenset[str]:
        return self._grammars.number_words

    @property
    def grammar(self) -> Grammar:
        """What is listened for now: after a question that names two readings, those two."""
        pending = self.state.pending
        if pending is not None and pending.other is not None and expects(self.state) == "answer":
            return self._grammars.choose((pending.entry.call, pending.other), self.state.roster)
        return self._grammars.compile(self._grammar_name, self.state.roster)

    @property
    def _grammar_name(self) -> str:
        of_kind = GRAMMAR_OF_KIND.get(self.state.purpose.kind, "call")
        return GRAMMAR_OF.get(expects(self.state), of_kind)

    def hear(self, frames: Frames, *, raw: Frames | None = None, cut_short: bool = False) -> Taken:
        """One utterance as sound, shape (samples,), int16, 16 kHz mono; `raw` is what is kept of it."""
        return self.take(self.listen(frames, raw=raw), cut_short=cut_short)

    def prepare(self) -> None:
        """Have ready what hearing the next utterance needs, while a reply is played: the first time that takes long."""
        if self._recogniser is not None:
            grammar = self.grammar
            self._recogniser.listen_for(grammar.network)
            sounds_like([next(iter(grammar.network.arcs[0]))], grammar.network, self._grammars.sounds)

    def listen(self, frames: Frames, *, raw: Frames | None = None, check: Check = unchecked) -> Listened:
        """What `hear` would hear, with nothing coming of it yet: the handler may be speaking on.

        What `check` raises, whenever it turns out that this is so, ends it.
        """
        began = time.perf_counter()
        if self._recogniser is None:
            raise VoicelogError("this session has no recogniser: type the calls")
        grammar = self.grammar
        views: tuple[Frames, ...] = ()
        if expects(self.state) == "note":
            heard = Heard((), 1.0, self._recogniser.name)
        else:
            self._recogniser.listen_for(grammar.network)
            views = views_of(frames, raw)
            voiced = has_voice(views[0])
            heard = self._recogniser.hear(views, check) if voiced else Heard((), 0.0, self._recogniser.name)
        words = heard.words
        heard = self._by_custom(grammar, heard)
        sound = frames if raw is None else raw
        # Where the runner-up came in their place, nobody knows where in the sound its words are.
        doubts = self._doubts(grammar, heard, sound, views if heard.words is words else ())
        return Listened(grammar, heard, doubts, sound, len(frames) / SAMPLE_RATE, time.perf_counter() - began)

    def _by_custom(self, grammar: Grammar, heard: Heard) -> Heard:
        """With how usual the call is taken into account: its runner-up in its place, where that comes out likelier.

        A sex that only custom makes likely is asked about; a weight is not, since it is read back digit by digit.
        """
        said = grammar.understand(tuple(word.text for word in heard.words))
        if heard.runner_up is None or self._is_choice(said):
            return heard
        rival = grammar.understand(heard.runner_up)
        more_usual = odds(self.state, said, rival)
        if more_usual == 1.0:
            return heard
        ours, theirs = by_custom(heard.certainty, heard.either, more_usual)
        doubts = heard.doubts if _weights_differ(said, rival) else (*heard.doubts, BY_CUSTOM)
        if theirs <= ours:
            fairly = min(ours, heard.certainty) >= self.state.settings.policy.ask_from
            return replace(heard, certainty=ours, doubts=heard.doubts if fairly else doubts)
        last = heard.words[-1].end_s
        words = tuple(Word(text, 0.0, last, theirs) for text in heard.runner_up)
        other = tuple(word.text for word in heard.words)
        return replace(heard, words=words, certainty=theirs, runner_up=other, doubts=doubts)

    def _is_choice(self, said: Utterance) -> bool:
        """Whether it answers a question that named two readings: custom had its say when that was asked."""
        pending = self.state.pending
        of_two = pending is not None and pending.other is not None
        return of_two and isinstance(said, CallSaid) and said.call.band is None

    def _doubts(self, grammar: Grammar, heard: Heard, sound: Frames, views: tuple[Frames, ...] = ()) -> tuple[str, ...]:
        """Why words that were heard fairly may be wrong all the same: another live wording sounds like them or is
        taken for them, or a call is so faint, or in such noise, that certainty means little. `views` are those that
        the words' times are of, where these are known."""
        words = [word.text for word in heard.words]
        alike = sounds_like(words, grammar.network, self._grammars.sounds)
        sure = heard.certainty >= self.state.settings.policy.alike_from
        doubts = heard.doubts if sure or alike is None else (*heard.doubts, alike)
        taken = taken_for(words, grammar.network, lambda place: self._is_hissed(place, heard.words, views))
        is_call = isinstance(grammar.understand(tuple(words)), CallSaid)
        faint = FAINT if is_call and is_faint(sound) else None
        drowned = DROWNED if is_call and not sure and is_drowned(sound) else None
        return (*doubts, *(doubt for doubt in (taken, faint, drowned) if doubt))

    def _is_hissed(self, place: Place, words: tuple[Word, ...], views: tuple[Frames, ...]) -> bool:
        """Whether the sound itself tells that the wording there was said: by a hiss that the other has not."""
        at, piece, instead = place
        if not views or not hiss_tells_apart(piece, instead, self._grammars.sounds):
            return False
        return begins_with_sibilant(views[-1], views[0], words[at].start_s, words[at].end_s)

    def type(self, text: str) -> Taken:
        """One utterance as typed words."""
        began = time.perf_counter()
        grammar = self.grammar
        if expects(self.state) == "note":
            # A note is its writer's own words, and none of them is put right.
            typed = Typed(tuple(text.split()), NotUnderstood(why="it is a note"))
        else:
            typed = read_typed(text, grammar, self._grammars)
        if isinstance(typed.utterance, NotUnderstood) and expects(self.state) == "call":
            # That a band is not here can be said only where it is known as one.
            wider = self._grammars.compile(self._grammar_name, ANY_BAND)
            again = read_typed(text, wider, self._grammars)
            said = again.utterance
            if isinstance(said, CallSaid) and said.call.band not in (None, *self.state.roster):
                grammar, typed = wider, again
        words = tuple(Word(word, 0.0, 0.0, 1.0) for word in typed.words)
        heard = Heard(words, 1.0, "typed")
        took_s = time.perf_counter() - began
        return self.take(Listened(grammar, heard, typed.doubts, None, 0.0, took_s, meant=typed.utterance))

    def press(self, name: CommandName) -> Taken:
        """A session word given by a key."""
        turn = Turn(new_id(), Command(name=name), "", 1.0, spare_id=new_id())
        return Taken("", 1.0, self._step(turn, None, "key"), 0.0, 0.0)

    def take(self, listened: Listened, *, cut_short: bool = False) -> Taken:
        """What comes of an utterance. Raises VoicelogError, and stays as it was, where it cannot be written."""
        began = time.perf_counter()
        heard, doubts = listened.heard, listened.doubts
        if cut_short:
            doubts = (*doubts, "the call was cut off")
        rival = listened.grammar.understand(heard.runner_up) if heard.runner_up else None
        spare_id, words = new_id(), [word.text for word in heard.words]
        turn = Turn(
            new_id(),
            listened.utterance,
            heard.text,
            heard.certainty,
            rival=None if isinstance(rival, NotUnderstood) else rival,
            doubts=doubts,
            spare_id=spare_id,
            either=heard.either,
            by_two=heard.by_two,
            rival_doubted=rival is not None and may_have_been(heard.runner_up or (), words, listened.grammar.network),
        )
        outcome = self._step(turn, listened.sound, heard.engine)
        compute_s = listened.compute_s + time.perf_counter() - began
        return Taken(heard.text, heard.certainty, outcome, listened.audio_s, compute_s)

    def _step(self, turn: Turn, sound: Frames | None, engine: str) -> Outcome:
        outcome = step(self.state, turn)
        self._write(outcome, turn, sound, engine)
        self.state = outcome.state
        finished = any(fact.kind == "session_finished" for _, fact in outcome.facts)
        return self._with_conflicts(outcome) if finished else outcome

    def _with_conflicts(self, outcome: Outcome) -> Outcome:
        """At the end, with how much of what the session wrote cannot be true: the voice keeps every call, so it is
        not refused as what a command enters is."""
        count = 0
        with suppress(VoicelogError):  # the end is written, whatever else cannot be read
            count = 0 if self._ledger is None else len(self._ledger.conflicts_of(self.session))
        if not count:
            return outcome
        told = Reply(wording.conflicts(count), earcon=None, kind="reminder")
        return replace(outcome, replies=(*outcome.replies, told))

    def _write(self, outcome: Outcome, turn: Turn, sound: Frames | None, engine: str) -> None:
        pending = outcome.state.pending
        if pending is not None and pending.entry.id == turn.id:
            self._asked = (turn.id, turn, sound)
        if self._ledger is None:
            return
        drafts, sounds = [], []
        for event_id, fact in outcome.facts:
            said, kept = turn, sound
            if self._asked is not None and self._asked[0] == event_id:
                _, said, kept = self._asked
            drafts.append(
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
            if kept is not None and self._keep_sound and fact.kind in ("call", "note", "counted"):
                sounds.append((self._ledger.sound_path(event_id), kept))
        self._commit(drafts, sounds)

    def _commit(self, drafts: list[Draft], sounds: list[tuple[Path, Frames]]) -> None:
        """The sounds, then all the facts; where one of them cannot be kept, none is."""
        assert self._ledger is not None
        if not drafts:
            return
        from voicelog.audio import keep_sound

        try:
            for path, sound in sounds:
                keep_sound(path, sound)
            self._ledger.keep(drafts)
        except VoicelogError:
            for path, _ in sounds:
                with suppress(OSError):
                    path.unlink(missing_ok=True)
            raise


RECORD_SLOTS = tuple(slot for slot in Call.model_fields if slot != "colour")


def record_of(call: Call | None) -> dict[str, object] | None:
    """A record as the JSON lines have it: every slot, null where it was not said; a colour only where it was."""
    if call is None:
        return None
    return {slot: getattr(call, slot) for slot in RECORD_SLOTS} | ({"colour": call.colour} if call.colour else {})


def _weights_differ(said: Utterance, rival: Utterance) -> bool:
    return isinstance(said, CallSaid) and isinstance(rival, CallSaid) and said.call.weight_g != rival.call.weight_g
