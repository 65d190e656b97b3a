"""Said and heard laid side by side: which words fail, and for what they are taken."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from rapidfuzz.distance import Levenshtein

NOTHING = ""
"""Stands for no word: a word that was missed, or one that nobody said."""


@dataclass
class WordTally:
    """How often a word was said, and for what it was taken where it was not heard right."""

    said: int = 0
    taken_for: Counter[str] = field(default_factory=Counter)

    @property
    def right(self) -> int:
        return self.said - self.taken_for.total()


def slips(said: Sequence[str], heard: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs of a word said and the word heard in its place, by the fewest changes; see `NOTHING`."""
    found = []
    for change in Levenshtein.editops(said, heard):
        word = NOTHING if change.tag == "insert" else said[change.src_pos]
        taken = NOTHING if change.tag == "delete" else heard[change.dest_pos]
        found.append((word, taken))
    return found


def tally(pairs: Iterable[tuple[Sequence[str], Sequence[str]]]) -> dict[str, WordTally]:
    """By word, from pairs of what was said and heard. Words that nobody said stand under `NOTHING`."""
    words: dict[str, WordTally] = {}
    for said, heard in pairs:
        for word in said:
            words.setdefault(word, WordTally()).said += 1
        for word, taken in slips(said, heard):
            words.setdefault(word, WordTally()).taken_for[taken] += 1
    return words
