"""Wordings that sound like another one that is live too.

Measured with the recorded calls: a synthetic voice that ends "fifty" with a
breath was heard as "fifty eight", surely and wrongly. No score tells the two
apart, so the handler is asked.
"""

from __future__ import annotations

from collections.abc import Sequence

from voicelog.grammar.network import Network

_ENDS_LIKE_EIGHT = frozenset(("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"))


def sounds_like(words: Sequence[str], network: Network) -> str | None:
    """What else these words may have been, in plain words; None where nothing else is live."""
    for at in range(1, len(words)):
        if words[at] == "eight" and words[at - 1] in _ENDS_LIKE_EIGHT:
            other = (*words[:at], *words[at + 1 :])
            if network.accepts(other):
                return f"“{words[at - 1]} eight” sounds like “{words[at - 1]}”"
    return None
