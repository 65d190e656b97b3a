"""What the ledger keeps: facts, and the event that wraps each one.

A fact is what happened, in the terms of the trade. Its payload carries a version
`v`; a change of meaning is a new version beside the old one, for a kept event is
never rewritten.
"""

from __future__ import annotations

from datetime import UTC
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, AwareDatetime, Field, TypeAdapter, model_validator

from voicelog.ledger.flock_facts import FlockFact
from voicelog.ledger.ids import EventId, new_id
from voicelog.ledger.kept import Dated, Kept, LotName
from voicelog.values import BandNumber, Call, Verdict

__all__ = [
    "CHANGES_NOTHING",
    "QUIET",
    "CallMade",
    "CallVoided",
    "Draft",
    "Event",
    "EventId",
    "Fact",
    "ListeningPaused",
    "ListeningResumed",
    "NoteKept",
    "SessionFinished",
    "SessionStarted",
    "fact_adapter",
    "new_id",
]


class SessionStarted(Kept):
    """A pass over the birds of `roster` begins; `purpose` is "check" for a check of sex and health,
    else the kind of session, such as "tally", whose roster is empty. A session that is about no lot,
    and every one from before `lot` was kept, is written without it."""

    kind: Literal["session_started"] = "session_started"
    v: Literal[1] = 1
    roster: tuple[BandNumber, ...]
    purpose: str = "check"
    pen: str | None = None
    lot: LotName | None = Field(default=None, exclude_if=lambda lot: lot is None)


class CallMade(Dated):
    """A call about one bird. `supersedes` names the call that it corrects, for this `reason` where it was
    corrected afterwards; `confirmed_by` the utterance that answered yes, if the call was asked about."""

    kind: Literal["call"] = "call"
    v: Literal[1] = 1
    call: Call
    supersedes: EventId | None = None
    confirmed_by: str | None = None
    reason: Annotated[str, Field(min_length=1, max_length=200)] | None = None

    @model_validator(mode="after")
    def _about_a_bird(self) -> Self:
        if self.call.band is None:
            raise ValueError("a call is kept only with its band: find the bird in hand first")
        return self


class CallVoided(Kept):
    """ "Strike that": the call or count `target` no longer counts."""

    kind: Literal["void"] = "void"
    v: Literal[1] = 1
    target: EventId


class NoteKept(Kept):
    """A voice note, about a bird or about nothing in particular. Its sound lies
    beside the ledger under the event's id (`Ledger.sound_path`)."""

    kind: Literal["note"] = "note"
    v: Literal[1] = 1
    band: BandNumber | None = None


class ListeningPaused(Kept):
    kind: Literal["paused"] = "paused"
    v: Literal[1] = 1


class ListeningResumed(Kept):
    kind: Literal["resumed"] = "resumed"
    v: Literal[1] = 1


class SessionFinished(Kept):
    """The pass is over: how many birds of the roster were seen, and the bands that were not."""

    kind: Literal["session_finished"] = "session_finished"
    v: Literal[1] = 1
    seen: Annotated[int, Field(ge=0)]
    left: tuple[BandNumber, ...] = ()


Fact = Annotated[
    SessionStarted
    | CallMade
    | CallVoided
    | NoteKept
    | ListeningPaused
    | ListeningResumed
    | SessionFinished
    | FlockFact,
    Field(discriminator="kind"),
]
fact_adapter: TypeAdapter[Fact] = TypeAdapter(Fact)


CHANGES_NOTHING = frozenset(("session_started", "session_finished", "paused", "resumed", "note"))
"""Kinds of facts that tell how a session went, and change nothing that is known of birds, pens or lots."""

QUIET = frozenset(("session_started", "session_finished", "paused"))
"""Kinds of facts after which nobody is calling yet, or any longer: the moment to tidy up the file."""


class Draft(Kept):
    """A fact as the dialogue hands it over, before the ledger has kept it.

    `id` is made beforehand by `new_id()`, so that the sound can be filed under it.
    `words` are the words heard, `certainty` runs from 0 to 1; both, and `engine`
    and `verdict`, stay empty for what nobody said.
    """

    id: EventId
    session: Annotated[str, Field(min_length=1)]
    fact: Fact
    words: str = ""
    certainty: Annotated[float, Field(ge=0, le=1)] | None = None
    engine: str | None = None
    verdict: Verdict | None = None


class Event(Draft):
    """A fact as kept: one row of the table `event`, never changed afterwards.

    `seq` counts the rows of one `device` from 1. `at` is UTC to the microsecond,
    `zone` the offset of local time from UTC at that moment ("+02:00"). `prev` is
    the hash of the device's row before, 64 zeros for its first row. `hash` is
    defined by `voicelog.ledger.chain.row_hash`.
    """

    device: str
    seq: Annotated[int, Field(ge=1)]
    at: Annotated[AwareDatetime, AfterValidator(lambda at: at.astimezone(UTC))]
    zone: str
    prev: str
    hash: str
