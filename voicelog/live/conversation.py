"""The loop of a live session: sound in, utterances cut and heard, replies out, whose turn it is."""

from __future__ import annotations

import errno
import sqlite3
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from voicelog.audio import Clip, CutSettings, Cutter, NoiseStage, amplify
from voicelog.audio.level import level_dbfs, speech_dbfs
from voicelog.live import wording
from voicelog.live.cleaner import GrowingCleaner
from voicelog.live.keys import Press
from voicelog.live.mouth import Mouth
from voicelog.live.patience import LONGEST_S, LOOK_S, SHORTEST_S, closing_silence_s
from voicelog.live.reminders import Reminders
from voicelog.live.screen import MARKS, Screen, View
from voicelog.live.sound import Back, Began, Block, Ended, Lost, Over, Overrun, Sound
from voicelog.resuming import where_it_stands
from voicelog.session import Reply, State, expects
from voicelog.sitting import Listened, Sitting, Taken
from voicelog.values import SAMPLE_RATE, Check, Frames, Verdict, VoicelogError, unchecked

CUTTING = CutSettings(closing_silence_s=0.72)
"""The loop closes an utterance itself; the cutter only where sound came faster than it could be looked at."""

TAIL_S = 0.25
"""How long the speaker and the room are still heard after a reply; with a loudspeaker nothing is heard in it."""

CUT_INTO_DB = 20.0
"""An utterance right after a reply began before its end, if the tail was not this much quieter than it."""

INTERRUPT_S = 0.2
"""So much speech of the handler stops a reply, with a headset."""

_GROW_S = 0.1
_BEFORE_SPEECH_S = 0.2
"""At the beginning of an utterance: no more, for what the cutter leaves there ends with a soft first sound."""

_SHOW_S = 0.12


@dataclass(frozen=True, slots=True)
class LiveSettings:
    """`headset`: the microphone does not hear the replies, so that the handler may talk over them.
    `gain_db` is added to the microphone, in dB."""

    headset: bool = False
    gain_db: float = 0.0
    reminders: Reminders = field(default_factory=Reminders)


@dataclass(frozen=True, slots=True)
class Timing:
    """Where the time went between the end of speech and the reply of one utterance, in seconds.

    `silence_s` was waited, by the clock of the sound; `clean_s`, `decode_s`, `write_s` and `synthesis_s`
    were worked. `wasted` decodes of it were thrown away, since the handler spoke on.
    """

    silence_s: float
    clean_s: float
    decode_s: float
    write_s: float
    synthesis_s: float
    wasted: int


@dataclass(frozen=True, slots=True, eq=False)
class _Guess:
    """What the open utterance would be if it were over; good as long as no speech follows `speech_end_s`."""

    speech_end_s: float
    listened: Listened
    closing_silence_s: float
    clean_s: float


class _SpokenOn(Exception):
    """What was looked at is not over, or is not there any more."""


class Conversation:
    """Hears and answers until the session is finished, the handler leaves, or the sound is over.

    Half duplex unless there is a headset: nothing is heard while a reply is
    played and shortly after. No reply begins while the handler speaks.
    """

    def __init__(
        self,
        sitting: Sitting,
        stage: NoiseStage,
        mouth: Mouth,
        sound: Sound,
        screen: Screen,
        settings: LiveSettings | None = None,
        watch: Callable[[Taken, Timing], None] = lambda taken, timing: None,
    ) -> None:
        self._sitting = sitting
        self._cleaner = GrowingCleaner(stage)
        self._mouth = mouth
        self._sound = sound
        self._screen = screen
        self._settings = settings or LiveSettings()
        self._reminders = self._settings.reminders
        self._watch = watch
        self._cutter = Cutter(CUTTING)
        self._closed: deque[Clip] = deque()
        """Utterances that the cutter closed itself."""
        self._guess: _Guess | None = None
        self._wasted = 0
        self._grown_s = 0.0
        self._to_say: deque[Reply] = deque()
        self._talk_from: float | None = None
        self._talk_until: float | None = None
        self._tail: deque[Frames] = deque(maxlen=6)
        self._reopened_at: float | None = None
        """Where on the cutter's time line it began to hear again after a reply."""
        self._hole_at: float | None = None
        """Where on it sound went missing."""
        self._over = False
        self._shown_s = -1.0
        self.overruns = 0
        self.view = View()

    def run(self, opening: str = "", keys: Callable[[], Iterable[Press]] = tuple) -> None:
        """Raises VoicelogError where the sound system cannot be used at all."""
        self._reminders.active(self._sound.now())
        if opening:
            self.say(opening)
            self._say_next()
        else:
            self._prepare()
        while not self._done():
            self._happened(self._sound.wait())
            for press in keys():
                self.press(press)
            self._settle()

    def press(self, press: Press) -> None:
        """A key: pause and go on, or leave the session for later."""
        if press == "leave":
            self._over = True
            self._screen.tell("left; go on with --resume")
            return
        self._cutter.drop()
        self._guess = None
        self._sound.stop()
        try:
            taken = self._sitting.press("resume" if self.state.mode == "paused" else "pause")
        except VoicelogError as wrong:
            self._not_written(wrong)
        else:
            self._answer(taken)

    def say(self, text: str) -> None:
        """Say something as soon as nobody speaks."""
        self._to_say.append(Reply(text, earcon=None, kind="reminder"))
        self._screen.tell(f"  {text}")

    @property
    def state(self) -> State:
        return self._sitting.state

    @property
    def _talking(self) -> bool:
        return self._talk_from is not None and self._talk_until is None

    def _done(self) -> bool:
        return self._over or (self.state.mode == "finished" and not self._to_say and not self._talking)

    def _happened(self, event: object) -> None:
        match event:
            case Block(frames=frames, at_s=at_s):
                self._hear_block(frames, at_s)
            case Ended(at_s=at_s):
                self._talk_until = at_s
            case Overrun():
                self.overruns += 1
                self._notice(f"sound was lost ({self.overruns})")
                self._miss(wording.SOUND_LOST if self._cutter.silence_s is not None else None)
            case Lost(why=why):
                self._miss(None)
                self._talk_until = self._sound.now() if self._talking else self._talk_until
                self._notice(f"{wording.MICROPHONE_LOST}: {why}")
                self.say(wording.MICROPHONE_LOST)
            case Back():
                self._notice("")
                self.say(wording.microphone_back(where_it_stands(self.state)))
            case Over():
                self._over = True
            case Began() | None:
                pass

    def _miss(self, say: str | None) -> None:
        """Sound is missing here. A call with a hole could mean another one, and what is left of it another bird."""
        self._cutter.drop()
        self._guess = None
        self._hole_at = self._cutter.now_s
        if say:
            self.say(say)

    def _hear_block(self, frames: Frames, at_s: float) -> None:
        frames = amplify(frames, self._settings.gain_db)
        self._show(frames, at_s)
        if self._deaf(at_s):
            if self._reopened_at is None:
                self._cutter.drop()
                self._guess = None
            self._reopened_at = self._cutter.now_s
            self._tail.append(frames)
            return
        self._closed.extend(self._cutter.feed(frames))

    def _deaf(self, at_s: float) -> bool:
        if self._settings.headset or self._talk_from is None or at_s <= self._talk_from:
            return False
        return self._talk_until is None or at_s <= self._talk_until + TAIL_S

    def _settle(self) -> None:
        """After everything that happened: close an utterance, look at it, say something, or nothing."""
        while self._closed:
            self._take_closed(self._closed.popleft())
        silence = self._cutter.silence_s
        if silence is None:
            self._say_next()
            return
        self._reminders.active(self._sound.now())
        clip = self._cutter.so_far() if self._due_for_growth(silence) else None
        if clip is not None:
            self._grown_s = clip.end_s
            self._cleaner.grow(clip.start_s, clip.frames)
            spoken_s = clip.end_s - silence - clip.start_s
            if self._talking and self._settings.headset and spoken_s > CUTTING.before_s + INTERRUPT_S:
                self._sound.stop()
        if silence < LOOK_S:
            return
        end = self._cutter.speech_end_s
        if self._guess is None or self._guess.speech_end_s != end:
            self._guess = self._looked(silence)
            silence = self._silence()
        if self._guess is not None and silence >= self._guess.closing_silence_s:
            closed = self._cutter.close()
            if closed is not None:
                self._take(closed, self._guess, silence)
        elif self._guess is None and silence >= LONGEST_S:
            self._cutter.close()

    def _take_closed(self, clip: Clip) -> None:
        guess = self._guess
        if guess is not None and (clip.cut_short or abs(guess.speech_end_s + CUTTING.after_s - clip.end_s) > 0.01):
            guess = None
        self._take(clip, guess, CUTTING.closing_silence_s)

    def _due_for_growth(self, silence: float) -> bool:
        end = self._cutter.speech_end_s
        assert end is not None
        return silence < LOOK_S and not 0 <= end - self._grown_s < _GROW_S

    def _looked(self, silence_s: float) -> _Guess | None:
        """A look at the open utterance, broken off where the handler speaks on.

        Meanwhile sound is heard up to where the utterance may close: what comes then belongs to it only if what
        was heard says so.
        """
        if self._guess is not None:
            self._wasted += 1
        clip, end = self._cutter.so_far(), self._cutter.speech_end_s
        if clip is None:
            return None

        def check() -> None:
            while self._cutter.speech_end_s == end and self._silence() < SHORTEST_S and self._sound.behind():
                self._happened(self._sound.wait())
            if self._cutter.speech_end_s != end:
                raise _SpokenOn

        try:
            return self._look(clip, silence_s, check)
        except _SpokenOn:
            self._wasted += 1
            return None

    def _silence(self) -> float:
        return self._cutter.silence_s or 0.0

    def _look(self, clip: Clip, silence_s: float, check: Check = unchecked) -> _Guess:
        """Decode what was said so far, as if it were all; so much silence follows already."""
        end = self._cutter.speech_end_s
        began = time.perf_counter()
        quiet = self._cleaner.whole(clip.start_s, clip.frames)
        clean_s = time.perf_counter() - began
        raw = _with_silence(clip.frames, silence_s) if self._cleaner.changes_sound else None
        check()
        listened = self._sitting.listen(_with_silence(quiet, silence_s), raw=raw, check=check)
        words = [word.text for word in listened.heard.words]
        patience = closing_silence_s(listened.utterance, words, listened.grammar.network, self._sitting.number_words)
        return _Guess(-1.0 if end is None else end, listened, patience, clean_s)

    def _take(self, clip: Clip, guess: _Guess | None, silence_s: float) -> None:
        """An utterance is over: what comes of it is written, then queued to be said."""
        if self._hole_at is not None and clip.start_s <= self._hole_at + 0.01:
            # Its beginning went with the sound that is missing.
            self._hole_at = self._guess = None
            if wording.SOUND_LOST not in [reply.text for reply in self._to_say]:
                self.say(wording.SOUND_LOST)
            return
        guess = guess or self._look(clip, silence_s)
        self._guess = None
        cut_short = clip.cut_short or self._began_unheard(clip)
        self._reopened_at = None
        began = time.perf_counter()
        paused = self.state.mode == "paused"
        try:
            taken = self._sitting.take(replace(guess.listened, sound=clip.frames), cut_short=cut_short)
        except VoicelogError as wrong:
            self._not_written(wrong)
            return
        write_s = time.perf_counter() - began
        if paused and taken.outcome.verdict is not Verdict.ACCEPT:
            return
        began = time.perf_counter()
        self._mouth.sound_of(taken.outcome.replies)
        synthesis_s = time.perf_counter() - began
        self._answer(taken)
        trouble = self._reminders.of_level(clip.frames, taken.outcome.verdict)
        if trouble:
            self.say(trouble)
        decode_s = guess.listened.compute_s
        self._watch(taken, Timing(silence_s, guess.clean_s, decode_s, write_s, synthesis_s, self._wasted))
        self._wasted = 0

    def _began_unheard(self, clip: Clip) -> bool:
        """Whether the handler began this utterance before the reply was over, so that its start is missing."""
        if self._reopened_at is None or clip.start_s > self._reopened_at + 0.01:
            return False
        loudest = max((level_dbfs(frames) for frames in self._tail), default=-96.0)
        return loudest > speech_dbfs(clip.frames) - CUT_INTO_DB

    def _answer(self, taken: Taken) -> None:
        outcome = taken.outcome
        replies = [reply for reply in outcome.replies if reply.kind != "reminder" or "count" in self._reminders.kinds]
        self._to_say.extend(replies)
        said = ". ".join(reply.text for reply in replies if reply.text)
        mark = MARKS[outcome.verdict.value]
        if taken.heard:
            self._screen.tell(f"  heard: {taken.heard}")
        self._screen.tell(f"{mark} {said or '(nothing said)'}")
        self.view = replace(self.view, heard=taken.heard, said=said, verdict=outcome.verdict.value, notice="")

    def _not_written(self, wrong: VoicelogError) -> None:
        self._to_say.append(Reply(_why_not_written(wrong), earcon="reject", kind="refusal"))
        self._screen.tell(f"- {wrong}")
        self._notice(str(wrong))

    def _notice(self, text: str) -> None:
        if text:
            self._screen.tell(f"! {text}")
        self.view = replace(self.view, notice=text)

    def _say_next(self) -> None:
        if self._talking or self._sound.behind():
            return
        now = self._sound.now()
        if not self._to_say:
            reminder = self._reminders.due(now, self.state)
            if reminder is None:
                return
            self.say(reminder)
        replies = tuple(self._to_say)
        self._to_say.clear()
        sound = self._mouth.sound_of(replies)
        if not len(sound):
            return
        self._talk_from, self._talk_until = now, None
        self._reopened_at = None
        self._tail.clear()
        self._sound.play(sound, self._mouth.rate)
        self._prepare()

    def _prepare(self) -> None:
        if expects(self.state) not in ("note", "finished"):
            self._sitting.prepare()

    def _show(self, frames: Frames, at_s: float) -> None:
        if at_s - self._shown_s < _SHOW_S:
            return
        self._shown_s = at_s
        stands = where_it_stands(self.state)
        self.view = replace(self.view, mode=self.state.mode, stands=stands, level_dbfs=level_dbfs(frames))
        self._screen.show(self.view)


def _with_silence(frames: Frames, silence_s: float) -> Frames:
    """An utterance, shape (samples,), with as much silence behind it as the cutter leaves.

    What is measured of an utterance depends on it, and certainty was fitted to utterances that have it. What is
    missing is taken from before the speech, where there was silence: what came since would be heard three times over.
    """
    missing, there = (round(seconds * SAMPLE_RATE) for seconds in (CUTTING.after_s - silence_s, silence_s))
    if missing <= 0 or not 1 < there <= len(frames):
        return frames
    # Where the call came right upon another, what it begins with is speech.
    silence = min(frames[: round(_BEFORE_SPEECH_S * SAMPLE_RATE)], frames[-there:], key=level_dbfs)
    return np.concatenate([frames, np.pad(silence, (0, missing), "reflect")[:missing]])


def _why_not_written(wrong: VoicelogError) -> str:
    match wrong.__cause__:
        case sqlite3.Error() as problem if getattr(problem, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL:
            return wording.DISK_FULL
        case OSError(errno=errno.ENOSPC | errno.EDQUOT):
            return wording.DISK_FULL
    return wording.CANNOT_WRITE
