"""What is said without being asked: how long it was quiet, a bird half done, a microphone too loud or too faint."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from voicelog.audio.level import is_clipped, is_faint
from voicelog.live import wording
from voicelog.session import State, left
from voicelog.session.state import bird_in_hand, done
from voicelog.values import Frames, Verdict

Kind = Literal["count", "silence", "half done", "level"]
KINDS: frozenset[Kind] = frozenset(("count", "silence", "half done", "level"))

HALF_DONE_S = 15.0
"""How long a bird may stay without its sex before that is said, once."""

LEVEL_AGAIN_AFTER = 5
"""So many utterances later the level is remarked upon again, at the earliest."""


@dataclass
class Reminders:
    """When to say what. Times in seconds on the clock of the sound; `kinds` are those that are on."""

    kinds: frozenset[Kind] = KINDS
    silence_s: float = 60.0
    _quiet_since: float = 0.0
    _times_quiet: int = 0
    _half_told: set[int] = field(default_factory=set)
    _since_level: int = LEVEL_AGAIN_AFTER

    def active(self, now_s: float) -> None:
        """The handler spoke. What is said to him does not break his silence."""
        self._quiet_since = now_s
        self._times_quiet = 0

    def due(self, now_s: float, state: State) -> str | None:
        """What to say now, if anything; nothing while paused or finished."""
        if state.mode != "listening":
            self._quiet_since = now_s
            return None
        quiet = now_s - self._quiet_since
        half = half_done(state)
        if "half done" in self.kinds and half is not None and half not in self._half_told and quiet >= HALF_DONE_S:
            self._half_told.add(half)
            return wording.no_sex_yet(half)
        # Each time after twice the silence of the time before: heard, and not hated.
        if "silence" in self.kinds and quiet >= self.silence_s * (2 ** (self._times_quiet + 1) - 1):
            self._times_quiet += 1
            return wording.still_listening(len(left(state)))
        return None

    def of_level(self, raw: Frames, verdict: Verdict) -> str | None:
        """What is wrong with the level of an utterance, shape (samples,), int16, 16 kHz, as it came."""
        self._since_level += 1
        if "level" not in self.kinds or self._since_level <= LEVEL_AGAIN_AFTER:
            return None
        trouble = None
        if is_clipped(raw):
            trouble = wording.TOO_LOUD
        elif verdict is not Verdict.ACCEPT and is_faint(raw):
            trouble = wording.MOVE_CLOSER
        if trouble:
            self._since_level = 0
        return trouble


def half_done(state: State) -> int | None:
    """The bird in hand, where something was said of it but not what makes it done."""
    band = bird_in_hand(state)
    if state.purpose.kind != "check" or band is None:
        return None
    met = any(entry.band == band for entry in state.calls)
    return band if met and band not in done(state.calls) else None
