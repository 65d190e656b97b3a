"""The yard file: the keeper's own words, in TOML.

    pens = ["meadow", "north run"]          "to pen meadow"
    colours = ["red", "blue"]               "band red four two"

    [words.sex]                             another word for a value of a slot
    female = ["layer"]

    [also]                                  another word wherever a grammar has this one
    band = ["ring"]

    [pronunciations]                        ARPAbet, for words that the dictionary lacks
    quayle = "K W EY L"

    [taken_for]                             heard, and what was said; also [sounds_like], [breath]: misheard.toml
    layer = ["sell"]

Slots and values are those of the tags in the grammar files, so a yard file
serves any vocabulary whose tags it names.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from voicelog.grammar.misheard import TABLES, Misheard, misheard_in
from voicelog.grammar.pronounce import Phones, phones_of
from voicelog.grammar.word_file import KeyPath, WordFile, Words, open_word_file

PARTS = ("pens", "colours", "words", "also", "pronunciations", *TABLES)


@dataclass(frozen=True, slots=True)
class Addition:
    """Words that may be said for `value` of `slot`; `place` is file:line:column."""

    slot: str
    value: str
    words: Words
    place: str


@dataclass(frozen=True, slots=True)
class Yard:
    """What a yard file adds. `also` are words that may stand for another word: slot is empty, value that word.
    `misheard` are wordings of the keeper's that are heard for others."""

    values: tuple[Addition, ...] = ()
    pens: tuple[Addition, ...] = ()
    colours: tuple[Addition, ...] = ()
    also: tuple[Addition, ...] = ()
    pronunciations: Mapping[str, tuple[Phones, ...]] = field(default_factory=dict)
    misheard: Misheard = field(default_factory=Misheard)

    @property
    def additions(self) -> tuple[Addition, ...]:
        """Everything that may be said anew."""
        return (*self.values, *self.pens, *self.colours, *self.also)

    def words(self) -> Iterator[tuple[str, str]]:
        """Every word that may be said anew, with its place."""
        yield from ((word, addition.place) for addition in self.additions for word in addition.words)


def load_yard(file: Path) -> Yard:
    """Read a yard file. Raises VoicelogError as `file:line:column: what is wrong and what to do`.

    Whether slots, values and misheard words exist is known only beside grammars: `Grammars` sees to that.
    """
    read = open_word_file(file, "name a yard file with --yard")
    top = read.top
    read.must_have_only(PARTS, "a yard file")
    words = read.table(top.get("words", {}), ("words",), "[words.sex]")
    also = read.table(top.get("also", {}), ("also",), "[also]")
    spoken = read.table(top.get("pronunciations", {}), ("pronunciations",), "[pronunciations]")
    return Yard(
        values=tuple(
            addition
            for slot, by_value in words.items()
            for value, found in read.table(by_value, ("words", slot), f"[words.{slot}]").items()
            for addition in _additions(read, slot, value, found, ("words", slot, value))
        ),
        pens=tuple(_additions(read, "pen", None, top.get("pens", []), ("pens",))),
        colours=tuple(_additions(read, "colour", None, top.get("colours", []), ("colours",))),
        also=tuple(
            addition for word, found in also.items() for addition in _additions(read, "", word, found, ("also", word))
        ),
        pronunciations={word.lower(): _phones(read, word, found) for word, found in spoken.items()},
        misheard=misheard_in(read),
    )


def _additions(read: WordFile, slot: str, value: str | None, found: Any, path: KeyPath) -> list[Addition]:
    """The additions of a list; without a `value` every phrase is its own."""
    return [
        Addition(slot, " ".join(words) if value is None else value, words, read.place(at))
        for words, at in read.said(found, path)
    ]


def _phones(read: WordFile, word: str, found: Any) -> tuple[Phones, ...]:
    path = ("pronunciations", word)
    try:
        return tuple(phones_of(way) for way in (found if isinstance(found, list) else [found]))
    except (ValueError, AttributeError) as wrong:
        why = str(wrong) if isinstance(wrong, ValueError) else "phones are text"
        raise read.wrong(path, f'{word}: {why}; write phones as in {word} = "K W EY L"') from None
