"""The yard file: the keeper's own words, in TOML.

    pens = ["meadow", "north run"]          "to pen meadow"
    colours = ["red", "blue"]               "band red four two"

    [words.sex]                             another word for a value of a slot
    female = ["layer"]

    [also]                                  another word wherever a grammar has this one
    band = ["ring"]

    [pronunciations]                        ARPAbet, for words that the dictionary lacks
    quayle = "K W EY L"

Slots and values are those of the tags in the grammar files, so a yard file
serves any vocabulary whose tags it names.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from voicelog.grammar.pronounce import Phones, phones_of
from voicelog.grammar.toml_places import Places, places
from voicelog.values import VoicelogError

PARTS = ("pens", "colours", "words", "also", "pronunciations")

Words = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Addition:
    """Words that may be said for `value` of `slot`; `place` is file:line:column."""

    slot: str
    value: str
    words: Words
    place: str


@dataclass(frozen=True, slots=True)
class Yard:
    """What a yard file adds. `also` are words that may stand for another word: slot is empty, value that word."""

    values: tuple[Addition, ...] = ()
    pens: tuple[Addition, ...] = ()
    colours: tuple[Addition, ...] = ()
    also: tuple[Addition, ...] = ()
    pronunciations: Mapping[str, tuple[Phones, ...]] = field(default_factory=dict)

    @property
    def additions(self) -> tuple[Addition, ...]:
        """Everything that may be said anew."""
        return (*self.values, *self.pens, *self.colours, *self.also)

    def words(self) -> Iterator[tuple[str, str]]:
        """Every word that may be said anew, with its place."""
        yield from ((word, addition.place) for addition in self.additions for word in addition.words)


@dataclass(frozen=True, slots=True)
class _Reader:
    file: Path
    places: Places

    def place(self, path: tuple[str | int, ...]) -> str:
        line, column = self.places.of(path)
        return f"{self.file}:{line}:{column}"

    def wrong(self, path: tuple[str | int, ...], message: str) -> VoicelogError:
        return VoicelogError(f"{self.place(path)}: {message}")

    def table(self, found: Any, path: tuple[str, ...], example: str) -> dict[str, Any]:
        if not isinstance(found, dict):
            raise self.wrong(path, f"{'.'.join(path)} must be a table; write {example}")
        return found

    def said(self, found: Any, path: tuple[str | int, ...]) -> Iterator[tuple[Words, tuple[str | int, ...]]]:
        """A list of words or phrases, each with its path."""
        if not isinstance(found, list):
            raise self.wrong(path, f'{path[-1]} must be a list of words; write {path[-1]} = ["one word", "two words"]')
        for at, phrase in enumerate(found):
            words = tuple(phrase.lower().split()) if isinstance(phrase, str) else ()
            if not words or not all(re.fullmatch(r"[^\W\d_]+(?:['-][^\W\d_]+)*", word) for word in words):
                raise self.wrong((*path, at), f"“{phrase}” is no word that can be said; write it in letters")
            yield words, (*path, at)

    def additions(self, slot: str, value: str | None, found: Any, path: tuple[str | int, ...]) -> list[Addition]:
        """The additions of a list; without a `value` every phrase is its own."""
        return [
            Addition(slot, " ".join(words) if value is None else value, words, self.place(at))
            for words, at in self.said(found, path)
        ]


def load_yard(file: Path) -> Yard:
    """Read a yard file. Raises VoicelogError as `file:line:column: what is wrong and what to do`.

    Whether slots and values exist is known only beside grammars: `Grammars` sees to that.
    """
    try:
        text = file.read_text(encoding="utf-8").removeprefix("\ufeff")
        top = tomllib.loads(text)
    except OSError as wrong:
        raise VoicelogError(f"{file}: cannot be read ({wrong.strerror}); name a yard file with --yard") from None
    except UnicodeDecodeError as wrong:
        line = wrong.object[: wrong.start].count(b"\n") + 1
        raise VoicelogError(f"{file}:{line}:1: is not UTF-8; save the file as UTF-8") from None
    except tomllib.TOMLDecodeError as wrong:
        raise VoicelogError(_syntax(file, text, str(wrong))) from None
    read = _Reader(file, places(text))
    for part in top:
        if part not in PARTS:
            raise read.wrong((part,), f"“{part}” is no part of a yard file; the parts are {', '.join(PARTS)}")
    words = read.table(top.get("words", {}), ("words",), "[words.sex]")
    also = read.table(top.get("also", {}), ("also",), "[also]")
    spoken = read.table(top.get("pronunciations", {}), ("pronunciations",), "[pronunciations]")
    return Yard(
        values=tuple(
            addition
            for slot, by_value in words.items()
            for value, found in read.table(by_value, ("words", slot), f"[words.{slot}]").items()
            for addition in read.additions(slot, value, found, ("words", slot, value))
        ),
        pens=tuple(read.additions("pen", None, top.get("pens", []), ("pens",))),
        colours=tuple(read.additions("colour", None, top.get("colours", []), ("colours",))),
        also=tuple(
            addition for word, found in also.items() for addition in read.additions("", word, found, ("also", word))
        ),
        pronunciations={word.lower(): _phones(read, word, found) for word, found in spoken.items()},
    )


def _syntax(file: Path, text: str, message: str) -> str:
    """tomllib ends its message with "(at line 3, column 5)" or "(at end of document)"."""
    what, _, where = message.rpartition(" (at ")
    numbers = re.findall(r"\d+", where)
    last = text.splitlines() or [""]
    line, column = numbers if len(numbers) == 2 else (len(last), len(last[-1]) + 1)
    return f"{file}:{line}:{column}: this is not TOML: {what or message}; mend that line"


def _phones(read: _Reader, word: str, found: Any) -> tuple[Phones, ...]:
    path = ("pronunciations", word)
    try:
        return tuple(phones_of(way) for way in (found if isinstance(found, list) else [found]))
    except (ValueError, AttributeError) as wrong:
        why = str(wrong) if isinstance(wrong, ValueError) else "phones are text"
        raise read.wrong(path, f'{word}: {why}; write phones as in {word} = "K W EY L"') from None
