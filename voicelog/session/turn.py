"""What goes into the dialogue and what it says back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from voicelog.grammar.utterance import Utterance

Earcon = Literal["accept", "ask", "reject"]
ReplyKind = Literal["readback", "question", "refusal", "answer", "reminder"]


@dataclass(frozen=True, slots=True)
class Turn:
    """One utterance as it was heard.

    `id` is an event id that the caller made (`voicelog.ledger.new_id`): the
    event that the turn writes gets it, so it is never used twice; `spare_id` is another, made before it, for
    a turn that writes two events. `certainty` runs from 0 to 1. `rival` is
    what the next best reading means, `either` the probability that it was that or
    what was heard. `doubts` are reasons, in plain words, why the words should not be
    trusted as they stand. Where the words of the rival are known to be heard for those that were heard
    (`rival_doubted`), they would not be trusted as an answer either. `by_two`: two listeners of different make heard
    them, so what one of them takes for something else, however surely, does not come out surely.
    """

    id: str
    utterance: Utterance
    words: str
    certainty: float
    rival: Utterance | None = None
    doubts: tuple[str, ...] = ()
    spare_id: str = ""
    either: float = 0.0
    rival_doubted: bool = False
    by_two: bool = False


@dataclass(frozen=True, slots=True)
class Reply:
    """One thing to say. An empty text means that only the earcon sounds."""

    text: str
    earcon: Earcon | None
    kind: ReplyKind
