"""The wording: grammar files and a roster in, what to listen for and what it means out.

It knows nothing of sound or storage. `Grammars` reads the files, `Grammar` listens and understands.
"""

from voicelog.grammar.alike import (
    AlikePair,
    Place,
    alike_pairs,
    hiss_tells_apart,
    may_have_been,
    sounds_like,
    taken_for,
)
from voicelog.grammar.compile import Grammar, Grammars
from voicelog.grammar.misheard import MISHEARD_NAME, Misheard, load_misheard
from voicelog.grammar.network import Network
from voicelog.grammar.pronounce import Sounds
from voicelog.grammar.roster import parse_roster
from voicelog.grammar.typed import Typed, read_typed
from voicelog.grammar.utterance import Answer, CallSaid, Command, NotUnderstood, Utterance
from voicelog.grammar.yard import Yard, load_yard

__all__ = [
    "MISHEARD_NAME",
    "AlikePair",
    "Answer",
    "CallSaid",
    "Command",
    "Grammar",
    "Grammars",
    "Misheard",
    "Network",
    "NotUnderstood",
    "Place",
    "Sounds",
    "Typed",
    "Utterance",
    "Yard",
    "alike_pairs",
    "hiss_tells_apart",
    "load_misheard",
    "load_yard",
    "may_have_been",
    "parse_roster",
    "read_typed",
    "sounds_like",
    "taken_for",
]
