"""The wording: grammar files and a roster in, what to listen for and what it means out.

It knows nothing of sound or storage. `Grammars` reads the files, `Grammar` listens and understands.
"""

from voicelog.grammar.alike import sounds_like
from voicelog.grammar.compile import Grammar, Grammars
from voicelog.grammar.network import Network, without
from voicelog.grammar.roster import parse_roster
from voicelog.grammar.snap import snap
from voicelog.grammar.utterance import Answer, CallSaid, Command, NotUnderstood, Utterance

__all__ = [
    "Answer",
    "CallSaid",
    "Command",
    "Grammar",
    "Grammars",
    "Network",
    "NotUnderstood",
    "Utterance",
    "parse_roster",
    "snap",
    "sounds_like",
    "without",
]
