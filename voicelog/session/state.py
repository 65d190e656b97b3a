"""Where a session stands: a value that every written fact moves on by one step."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from voicelog.ledger.events import (
    CallMade,
    CallVoided,
    Fact,
    ListeningPaused,
    ListeningResumed,
    SessionFinished,
)
from voicelog.ledger.flock_facts import Banded, Counted, Retracted
from voicelog.session.policy import Policy
from voicelog.session.purpose import Kind, Purpose
from voicelog.session.wording import Length
from voicelog.values import Call, Sex, VoicelogError

Mode = Literal["listening", "paused", "finished"]


@dataclass(frozen=True, slots=True)
class Known:
    """What earlier sessions say of a bird; `when` is how it is spoken: "at six weeks"."""

    sex: Sex
    when: str


@dataclass(frozen=True, slots=True)
class Settings:
    """How a session is run. A weight outside `expected_weight_g`, in grams, is asked about."""

    policy: Policy = field(default_factory=Policy)
    readback: Length = "brief"
    expected_weight_g: tuple[float, float] = (20.0, 600.0)


@dataclass(frozen=True, slots=True)
class Entry:
    """A call and the id of its event; `instead_of` is the wrong call that it corrects; `spare_id` is for the
    event of the banding, where the call is about a bird that is just being banded."""

    id: str
    call: Call
    instead_of: Entry | None = None
    spare_id: str = ""

    @property
    def band(self) -> int:
        assert self.call.band is not None, "every call that is written names its bird"
        return self.call.band


@dataclass(frozen=True, slots=True)
class Pending:
    """A question that waits, and the entry that yes would write.

    With `other`, the call of another reading, the question names both: it is
    answered by saying the one that is right, and yes is no answer.
    """

    entry: Entry
    question: str
    other: Call | None = None


@dataclass(frozen=True, slots=True)
class State:
    """A session at one moment. `calls` are in effect: neither voided nor corrected.

    The facts of the ledger alone give `calls` (oldest first), `in_hand`,
    `most_done` (the most birds that were done at any time) and `mode`. The rest
    is talk that a power cut may lose: the pending question; `correcting`, the
    next call replaces the last; `noting`, the next sound is a note; and
    `other_bird`, a band was named since that is not written, so that the bird
    in hand is probably another one.

    `gone` says of birds that died or were sold how they went. `counted` are the
    events and sexes of a tally; `banded` the event by which a band was put on in
    this session.
    """

    roster: tuple[int, ...]
    known: Mapping[int, Known]
    settings: Settings
    calls: tuple[Entry, ...] = ()
    in_hand: int | None = None
    most_done: int = 0
    mode: Mode = "listening"
    pending: Pending | None = None
    correcting: bool = False
    noting: bool = False
    other_bird: bool = False
    last_reply: str = ""
    purpose: Purpose = field(default_factory=Purpose)
    gone: Mapping[int, str] = field(default_factory=dict)
    counted: tuple[tuple[str, Sex], ...] = ()
    banded: Mapping[int, str] = field(default_factory=dict)

    @property
    def tally(self) -> dict[Sex, int]:
        """Birds counted, by sex."""
        counts: dict[Sex, int] = {"female": 0, "male": 0, "unsure": 0}
        for _, sex in self.counted:
            counts[sex] += 1
        return counts


def start(
    roster: Sequence[int],
    known: Mapping[int, Known] | None = None,
    settings: Settings | None = None,
    purpose: Purpose | None = None,
    gone: Mapping[int, str] | None = None,
) -> State:
    """A session in which nothing was said yet.

    Raises VoicelogError for a roster without bands; only a tally has none.
    """
    purpose = purpose or Purpose()
    if not roster and purpose.kind != "tally":
        raise VoicelogError("the roster has no bands: name the bands of the pen, for example 1-40")
    bands = tuple(dict.fromkeys(roster))
    return State(bands, dict(known or {}), settings or Settings(), purpose=purpose, gone=dict(gone or {}))


def resume(
    roster: Sequence[int],
    facts: Iterable[tuple[str, Fact]],
    known: Mapping[int, Known] | None = None,
    settings: Settings | None = None,
    purpose: Purpose | None = None,
) -> State:
    """The session as its written facts leave it; `facts` are (event id, fact) in the order written."""
    state = start(roster, known, settings, purpose)
    for event_id, fact in facts:
        state = written(state, event_id, fact)
    return state


_MODE_AFTER: dict[str, Mode] = {
    "paused": "paused",
    "resumed": "listening",
    "session_finished": "finished",
}


def written(state: State, event_id: str, fact: Fact) -> State:
    """The state after one fact was written."""
    match fact:
        case CallMade():
            return _call_made(state, event_id, fact)
        case CallVoided():
            return _call_voided(state, fact)
        case Counted(sex=sex):
            return replace(state, counted=(*state.counted, (event_id, sex)))
        case Banded(band=band):
            return replace(state, banded={**state.banded, band: event_id})
        case Retracted(target=target):
            return replace(state, banded={band: by for band, by in state.banded.items() if by != target})
        case ListeningPaused() | ListeningResumed() | SessionFinished():
            return replace(state, mode=_MODE_AFTER[fact.kind])
        case _:
            return state


def _call_made(state: State, event_id: str, made: CallMade) -> State:
    wrong = _find(state.calls, made.supersedes)
    calls = (
        *(entry for entry in state.calls if entry is not wrong),
        Entry(event_id, made.call, instead_of=wrong),
    )
    most_done = max(state.most_done, len(done(calls, state.purpose.kind)))
    return replace(state, calls=calls, in_hand=made.call.band, other_bird=False, most_done=most_done)


def _call_voided(state: State, void: CallVoided) -> State:
    """Voiding a correction brings back what it corrected, as in the ledger (`voicelog.ledger.fold`).

    The bird stays in hand, unless the band itself may have been what was wrong.
    """
    gone = _find(state.calls, void.target)
    if gone is None:
        return replace(state, counted=tuple(count for count in state.counted if count[0] != void.target))
    back = gone.instead_of
    calls = [back if entry is gone else entry for entry in state.calls]
    band_is_right = gone.call.said() and (back is None or back.band == gone.band)
    return replace(
        state,
        calls=tuple(entry for entry in calls if entry is not None),
        in_hand=gone.band if band_is_right else None,
    )


def _find(calls: Sequence[Entry], event_id: str | None) -> Entry | None:
    return next((entry for entry in calls if entry.id == event_id), None)


def bird_in_hand(state: State) -> int | None:
    """The band that a call without a band is about; None when that is not sure."""
    return None if state.other_bird else state.in_hand


def today(entries: Iterable[Entry], band: int) -> Call:
    """All that these calls say of a bird, the latest word winning; only the band when they say nothing."""
    said = Call(band=band)
    for entry in entries:
        if entry.band == band:
            said = entry.call.over(said)
    return said


def sexes(entries: Iterable[Entry]) -> dict[int, Sex]:
    """The sex that was called last, by band."""
    return {entry.band: entry.call.sex for entry in entries if entry.call.sex is not None}


def done(entries: Sequence[Entry], kind: Kind = "check") -> set[int]:
    """Bands that are done: those with a sex, or a weight at a weigh-in, or met at all at a roll call or a move;
    and dead birds, which need none."""
    if kind in ("roll call", "moving"):
        return {entry.band for entry in entries}
    told = set(sexes(entries))
    if kind == "weighing":
        told = {entry.band for entry in entries if entry.call.weight_g is not None}
    condition = {entry.band: entry.call.condition for entry in entries if entry.call.condition is not None}
    return told | {band for band, last in condition.items() if last == "dead"}


def left(state: State) -> list[int]:
    """Bands not done yet, in roster order."""
    done_now = done(state.calls, state.purpose.kind)
    return [band for band in state.roster if band not in done_now]


def next_band(state: State) -> int | None:
    """At a banding, the first band of the roster that was not put on yet."""
    return next((band for band in state.roster if band not in state.banded), None)
