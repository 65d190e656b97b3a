"""A TOML file of words and phrases, read so that every mistake is told with its place."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voicelog.grammar.toml_places import Places, longest_number, places
from voicelog.values import VoicelogError

Words = tuple[str, ...]
KeyPath = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class WordFile:
    """What a file says (`top`), and where in it each key and list element stands."""

    file: Path
    top: dict[str, Any]
    places: Places

    def place(self, path: KeyPath) -> str:
        """The place of a path as file:line:column."""
        line, column = self.places.of(path)
        return f"{self.file}:{line}:{column}"

    def wrong(self, path: KeyPath, message: str) -> VoicelogError:
        """The error to raise for what stands at a path."""
        # A quoted key or text may hold line breaks; a message is one line.
        return VoicelogError(f"{self.place(path)}: {' '.join(message.split())}")

    def must_have_only(self, parts: Iterable[str], kind: str) -> None:
        """Raises VoicelogError for a key of the file that is none of its parts; `kind` is what the file is."""
        for part in self.top:
            if part not in parts:
                raise self.wrong((part,), f"“{part}” is no part of {kind}; the parts are {', '.join(parts)}")

    def table(self, found: Any, path: tuple[str, ...], example: str) -> dict[str, Any]:
        """What was found at a path, as a table. Raises VoicelogError where it is none."""
        if not isinstance(found, dict):
            raise self.wrong(path, f"{'.'.join(path)} must be a table; write {example}")
        return found

    def said(self, found: Any, path: KeyPath) -> Iterator[tuple[Words, KeyPath]]:
        """A list of words or phrases, each with its path. Raises VoicelogError for what is none."""
        if not isinstance(found, list):
            raise self.wrong(path, f'{path[-1]} must be a list of words; write {path[-1]} = ["one word", "two words"]')
        for at, phrase in enumerate(found):
            yield self.phrase(phrase, (*path, at)), (*path, at)

    def phrase(self, found: Any, path: KeyPath) -> Words:
        """The words of a phrase, in lower case. Raises VoicelogError for what cannot be said."""
        words = tuple(found.lower().split()) if isinstance(found, str) else ()
        if not words or not all(re.fullmatch(r"[^\W\d_]+(?:['-][^\W\d_]+)*", word) for word in words):
            raise self.wrong(path, f"{_shown(found)} is no word that can be said; write it in letters")
        return words


def _shown(found: Any) -> str:
    """What stands in the place of a word, to be told in one line."""
    match found:
        case str() | float():
            return f"“{found}”"
        case bool():
            return f"“{str(found).lower()}”"
        case int() if abs(found) < _LONG:  # Python refuses to write out the longest
            return f"“{found}”"
    kinds = {int: "a long number", list: "a list", dict: "a table"}
    return kinds.get(type(found), "a date or time")


_LONG = 10**18


def open_word_file(file: Path, instead: str) -> WordFile:
    """Read a file. `instead` is what to do where it cannot be read.

    Raises VoicelogError as `file:line:column: what is wrong and what to do` for what is no TOML.
    """
    try:
        text = file.read_text(encoding="utf-8").removeprefix("\ufeff")
    except OSError as wrong:
        raise VoicelogError(f"{file}: cannot be read ({wrong.strerror}); {instead}") from None
    except UnicodeDecodeError as wrong:
        line = wrong.object[: wrong.start].count(b"\n") + 1
        raise VoicelogError(f"{file}:{line}:1: is not UTF-8; save the file as UTF-8") from None
    except ValueError as wrong:  # a path with a NUL in it
        raise VoicelogError(f"{file}: cannot be read ({wrong}); {instead}") from None
    try:
        top = tomllib.loads(text)
    except tomllib.TOMLDecodeError as wrong:
        raise VoicelogError(_syntax(file, text, str(wrong))) from None
    except RecursionError:
        line = _deepest_line(text)
        raise VoicelogError(
            f"{file}:{line}:1: this is not TOML that can be read: lists or tables stand too deep in one another; "
            "mend that line"
        ) from None
    except ValueError:  # tomllib leaves to Python how many digits it takes
        line, column = longest_number(text)
        raise VoicelogError(f"{file}:{line}:{column}: a number is far too long; mend that line") from None
    return WordFile(file, top, places(text))


def _syntax(file: Path, text: str, message: str) -> str:
    """tomllib ends its message with "(at line 3, column 5)" or "(at end of document)"."""
    last = text.splitlines() or [""]
    line, column = len(last), len(last[-1]) + 1
    what = message.removesuffix(" (at end of document)")
    found = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    if found:
        line, column, what = int(found[1]), int(found[2]), message[: found.start()]
    return f"{file}:{line}:{column}: this is not TOML: {what}; mend that line"


def _deepest_line(text: str) -> int:
    """The line on which most lists and tables begin."""
    begun = [line.count("[") + line.count("{") for line in text.split("\n")]
    return begun.index(max(begun)) + 1
