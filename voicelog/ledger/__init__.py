"""The ledger: typed events in an append-only SQLite file, chained by hashes, and what they add up to.

It knows nothing of audio or words: the dialogue hands over drafts, the ledger keeps them before
anything is said back. Nothing is ever changed; corrections and voids are events of their own.
"""

from voicelog.ledger.chain import Problem
from voicelog.ledger.events import (
    CallMade,
    CallVoided,
    Draft,
    Event,
    Fact,
    ListeningPaused,
    ListeningResumed,
    NoteKept,
    SessionFinished,
    SessionStarted,
    fact_adapter,
    new_id,
)
from voicelog.ledger.project import Bird, Book, KeptCall, fold
from voicelog.ledger.store import Ledger

__all__ = [
    "Bird",
    "Book",
    "CallMade",
    "CallVoided",
    "Draft",
    "Event",
    "Fact",
    "KeptCall",
    "Ledger",
    "ListeningPaused",
    "ListeningResumed",
    "NoteKept",
    "Problem",
    "SessionFinished",
    "SessionStarted",
    "fact_adapter",
    "fold",
    "new_id",
]
