"""How long to wait, in silence, before an utterance counts as over: what may still come decides."""

from __future__ import annotations

from collections.abc import Sequence

from voicelog.grammar import Answer, CallSaid, Command, Network, NotUnderstood, Utterance

LOOK_S = 0.1
"""After so much silence an utterance is decoded, to see whether it is whole."""

SHORTEST_S = 0.3
"""How soon the surest utterance closes."""

LONGEST_S = 0.7

_PART_S = 0.5


def closing_silence_s(utterance: Utterance, words: Sequence[str], network: Network, digits: frozenset[str]) -> float:
    """Seconds of silence, 0.3 to 0.7, after which the utterance so far is over.

    A whole call (band and sex), and what the grammar lets nothing follow, such as
    yes, closes soonest; a part about the bird in hand later; a band alone, a number
    that another digit may follow, and what is not understood yet, last.
    """
    if isinstance(utterance, NotUnderstood) or not words:
        return LONGEST_S
    state = network.walk(words)
    may_follow = set() if state is None else network.arcs[state].keys()
    if not may_follow:
        return SHORTEST_S
    if words[-1] in digits and may_follow & digits:
        return LONGEST_S
    match utterance:
        case Answer() | Command():
            return SHORTEST_S
        case CallSaid(call=call) if call.band is None:
            return _PART_S
        case CallSaid(call=call) if call.sex is not None:
            return SHORTEST_S
        case CallSaid(call=call):
            return _PART_S if call.said() else LONGEST_S
        case _:
            return LONGEST_S
