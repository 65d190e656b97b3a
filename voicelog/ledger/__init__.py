"""The ledger: typed events in an append-only SQLite file, chained by hashes, and what they add up to.

It knows nothing of audio or words: the dialogue hands over drafts, the ledger keeps them before
anything is said back. Nothing is ever changed; corrections and voids are events of their own.
"""

from voicelog.ledger.birds import SLOTS, Conflict, FoldedBird, fold_birds
from voicelog.ledger.chain import Problem
from voicelog.ledger.events import (
    CHANGES_NOTHING,
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
from voicelog.ledger.flock_facts import (
    Banded,
    BandLost,
    BandReplaced,
    Counted,
    Died,
    EggsSet,
    EggsTended,
    Grouped,
    Hatched,
    LotLess,
    LotMoved,
    Moved,
    PenNamed,
    Retracted,
    Sold,
)
from voicelog.ledger.lots import (
    FoldedLot,
    FoldedLots,
    FoldedPen,
    Tally,
    fold_lots,
    fold_tallies,
    headcount,
)
from voicelog.ledger.plain import Plain, local_day, plain_event
from voicelog.ledger.project import Bird, Book, KeptCall, fold
from voicelog.ledger.standing import TAKERS, fates, taken_back
from voicelog.ledger.store import Contradiction, Ledger

__all__ = [
    "CHANGES_NOTHING",
    "SLOTS",
    "TAKERS",
    "BandLost",
    "BandReplaced",
    "Banded",
    "Bird",
    "Book",
    "CallMade",
    "CallVoided",
    "Conflict",
    "Contradiction",
    "Counted",
    "Died",
    "Draft",
    "EggsSet",
    "EggsTended",
    "Event",
    "Fact",
    "FoldedBird",
    "FoldedLot",
    "FoldedLots",
    "FoldedPen",
    "Grouped",
    "Hatched",
    "KeptCall",
    "Ledger",
    "ListeningPaused",
    "ListeningResumed",
    "LotLess",
    "LotMoved",
    "Moved",
    "NoteKept",
    "PenNamed",
    "Plain",
    "Problem",
    "Retracted",
    "SessionFinished",
    "SessionStarted",
    "Sold",
    "Tally",
    "fact_adapter",
    "fates",
    "fold",
    "fold_birds",
    "fold_lots",
    "fold_tallies",
    "headcount",
    "local_day",
    "new_id",
    "plain_event",
    "taken_back",
]
