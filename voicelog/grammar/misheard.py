"""Words that are known to be heard for others: a vocabulary's file `misheard.toml`, and the same parts of a yard file.

The three tables of pairs and what comes of them are explained in `grammars/misheard.toml`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from voicelog.grammar.word_file import KeyPath, WordFile, Words, open_word_file
from voicelog.values import VoicelogError

MISHEARD_NAME = "misheard.toml"
"""In a folder of grammars: which of its words are heard for others."""

TABLES = ("taken_for", "sounds_like", "breath")


@dataclass(frozen=True, slots=True)
class Pair:
    """Words that are heard where others were said; each with its place, file:line:column."""

    heard: Words
    said: Words
    heard_at: str
    said_at: str

    @property
    def phrases(self) -> tuple[tuple[Words, str], ...]:
        """Either side with its place."""
        return (self.heard, self.heard_at), (self.said, self.said_at)

    @property
    def words(self) -> frozenset[str]:
        return frozenset((*self.heard, *self.said))


@dataclass(frozen=True)
class Misheard:
    """The pairs of one file, or of several laid together.

    `taken_for` are asked about however sure the words seem; `sounds_like` where they are
    heard less surely, and either for the other; so is a word that a breath behind another
    is heard as (`breath`: heard are both words, said is the first).
    """

    taken_for: tuple[Pair, ...] = ()
    sounds_like: tuple[Pair, ...] = ()
    breath: tuple[Pair, ...] = ()

    @property
    def pairs(self) -> tuple[Pair, ...]:
        return (*self.taken_for, *self.sounds_like, *self.breath)

    def and_also(self, more: Misheard) -> Misheard:
        """These pairs, then those of another."""
        return Misheard(
            (*self.taken_for, *more.taken_for), (*self.sounds_like, *more.sounds_like), (*self.breath, *more.breath)
        )

    def within(self, words: frozenset[str]) -> Misheard:
        """The pairs whose words are all among these."""
        tables = (self.taken_for, self.sounds_like, self.breath)
        return Misheard(*(tuple(pair for pair in table if pair.words <= words) for table in tables))

    def must_be_of(self, words: frozenset[str]) -> None:
        """Raises VoicelogError, with its place, for a word that is none of these."""
        for pair in self.pairs:
            for phrase, place in pair.phrases:
                for word in phrase:
                    if word not in words:
                        raise VoicelogError(f"{place}: no grammar has the word “{word}”; name words that one has")

    @cached_property
    def surely(self) -> Mapping[Words, tuple[Words, ...]]:
        """What each wording is taken for however sure it seems."""
        return _by_heard((pair.heard, pair.said) for pair in self.taken_for)

    @cached_property
    def unsurely(self) -> Mapping[Words, tuple[Words, ...]]:
        """What each wording sounds like, in both directions."""
        return _by_heard(way for pair in self.sounds_like for way in ((pair.heard, pair.said), (pair.said, pair.heard)))

    @cached_property
    def breathed(self) -> Mapping[Words, tuple[Words, ...]]:
        """What was said where a word was heard too many."""
        return _by_heard((pair.heard, pair.said) for pair in self.breath)

    @cached_property
    def either_way(self) -> tuple[tuple[Words, Words], ...]:
        """The two wordings of every pair, and once more the other way round; each once."""
        ways = (way for pair in self.pairs for way in ((pair.heard, pair.said), (pair.said, pair.heard)))
        return tuple(dict.fromkeys(ways))


def _by_heard(pairs: Iterable[tuple[Words, Words]]) -> dict[Words, tuple[Words, ...]]:
    found: dict[Words, dict[Words, None]] = defaultdict(dict)
    for heard, said in pairs:
        found[heard][said] = None
    return {heard: tuple(others) for heard, others in found.items()}


def load_misheard(file: Path) -> Misheard:
    """Read a vocabulary's file. Raises VoicelogError as `file:line:column: what is wrong and what to do`.

    Whether the words exist is known only beside grammars: `Grammars` sees to that.
    """
    read = open_word_file(file, f"see to it that {file.name} can be read, or take it away")
    read.must_have_only(TABLES, f"a file of misheard words ({MISHEARD_NAME})")
    return misheard_in(read)


def misheard_in(read: WordFile) -> Misheard:
    """The pairs in a file that may hold other parts too. Raises VoicelogError, with its place, for what is none."""
    taken_for, sounds_like, breath = (tuple(_pairs(read, table)) for table in TABLES)
    after = (Pair((*pair.said, *pair.heard), pair.said, pair.said_at, pair.said_at) for pair in breath)
    return Misheard(taken_for, sounds_like, tuple(after))


def _pairs(read: WordFile, table: str) -> Iterator[Pair]:
    found: dict[str, Any] = read.table(read.top.get(table, {}), (table,), f"[{table}]")
    for key, others in found.items():
        path: KeyPath = (table, key)
        heard = read.phrase(key, path)
        for said, at in read.said(others, path):
            if said == heard:
                raise read.wrong(at, f"“{' '.join(said)}” is named beside itself; name other words")
            yield Pair(heard, said, read.place(path), read.place(at))
