"""Typed or loosely recognised words, brought to the words of a grammar.

A near miss is mended ("speckeld" is speckled); one that is taken for a weighty word,
such as a number, is mended too, but never silently: another number may be another
live band. Numbers in figures are read by `typed`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from voicelog.grammar.network import Network

NEAR = 75
"""Likeness in percent from which a word counts as a near miss (`rapidfuzz.fuzz.ratio`)."""

CLEAR_OF_NEXT = 8
"""By how many percent the nearest word must beat the next, or nobody can say which was meant."""

_DIGIT_WORDS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_DIGITS = {str(digit): word for digit, word in enumerate(_DIGIT_WORDS)}
_NUMBER_WORDS = frozenset(
    (*_DIGIT_WORDS, "oh", "ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen")
) | frozenset(("eighteen", "nineteen", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"))


@dataclass(frozen=True, slots=True)
class Snapped:
    """The words of the grammar, and doubts about those that were mended."""

    words: tuple[str, ...]
    doubts: tuple[str, ...] = ()


def snap(
    text: str,
    network: Network,
    digits: Mapping[str, str] = _DIGITS,
    weighty_words: frozenset[str] = _NUMBER_WORDS,
) -> Snapped:
    """The words of `text` as the grammar has them.

    Figures are spelled out one by one, with the words of `digits`; `weighty_words` are those
    that nothing is silently mended to (English digits and numbers where not given). A word that is near none, or
    near two alike, stays as it is, and the grammar will not understand it.
    """
    words: list[str] = []
    doubts: list[str] = []
    for token in re.findall(r"[^\W\d_]+(?:'[^\W\d_]+)?|\d", text.lower()):
        if token.isdigit():
            words.append(digits.get(token, token))
        elif token in network.words or not (near := _nearest(token, sorted(network.words))):
            words.append(token)
        else:
            words.append(near)
            if near in weighty_words:
                doubts.append(f"“{token}” taken as {near}")
    return Snapped(tuple(words), tuple(doubts))


def _nearest(token: str, words: Sequence[str]) -> str | None:
    from rapidfuzz import fuzz, process

    best = process.extract(token, words, scorer=fuzz.ratio, limit=2, score_cutoff=NEAR - CLEAR_OF_NEXT)
    if not best or best[0][1] < NEAR or (len(best) > 1 and best[0][1] - best[1][1] < CLEAR_OF_NEXT):
        return None
    return str(best[0][0])
