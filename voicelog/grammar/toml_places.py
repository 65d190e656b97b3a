"""Where in a TOML text each key and each element of a list stands.

The standard reader names line and column only of a syntax error, and so do the
libraries that keep the style of a file; a mistake in what a file says needs its
place too. This looks only at the shape of a text that `tomllib` has accepted.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

Path = tuple[str | int, ...]

_TOKEN = re.compile(
    r"""(?P<skip>[ \t\r]+|\#[^\n]*)
      | (?P<newline>\n)
      | (?P<string>\"{3}(?:\\.|[^\\])*?\"{3,5}|'{3}.*?'{3,5}|"(?:\\.|[^"\\\n])*"|'[^'\n]*')
      | (?P<mark>[\[\]{}=,.])
      | (?P<bare>[^\s\[\]{}=,."'\#]+)""",
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Places:
    """Line and column, both from 1, by path: keys from the outermost, then the index in a list."""

    at: Mapping[Path, tuple[int, int]]

    def of(self, path: Path) -> tuple[int, int]:
        """The place of a path, or of the nearest that encloses it."""
        while path and path not in self.at:
            path = path[:-1]
        return self.at.get(path, (1, 1))


def places(text: str) -> Places:
    """The places of every key and list element. `text` is valid TOML; inside inline tables nothing is told apart."""
    found: dict[Path, tuple[int, int]] = {}
    table: Path = ()
    path: Path = ()
    keys: list[str] = []
    reading, depth, element = "key", 0, 0
    for kind, token, where in _tokens(text):
        if kind == "newline":
            if reading != "value" or depth == 0:
                reading, keys = "key", []
        elif reading == "key":
            if kind in ("string", "bare"):
                keys.append(_plain(token))
                found.setdefault((*table, *keys), where)
            elif token == "[":
                reading, table, keys = "header", (), []
            elif token == "=":
                reading, path, depth, element = "value", (*table, *keys), 0, 0
        elif reading == "header":
            if kind in ("string", "bare"):
                table = (*table, _plain(token))
                found.setdefault(table, where)
        elif token in ("]", "}"):
            depth -= 1
        else:
            if depth == 1 and token == ",":
                element += 1
            elif depth == 1:
                found.setdefault((*path, element), where)
            depth += token in ("[", "{")
    return Places(found)


def longest_number(text: str) -> tuple[int, int]:
    """Line and column of the decimal number with the most digits; of the start where there is none.

    `text` need not be valid TOML behind that number.
    """
    numbers = [
        (token, where) for kind, token, where in _tokens(text) if kind == "bare" and re.fullmatch(r"[+-]?[\d_]+", token)
    ]
    return max(numbers, key=lambda number: len(number[0]), default=("", (1, 1)))[1]


def _tokens(text: str) -> Iterator[tuple[str, str, tuple[int, int]]]:
    line, line_start = 1, 0
    for match in _TOKEN.finditer(text):
        kind = str(match.lastgroup)
        if kind != "skip":
            yield kind, match[0], (line, match.start() - line_start + 1)
        breaks = match[0].count("\n")
        if breaks:
            line, line_start = line + breaks, match.start() + match[0].rindex("\n") + 1


def _plain(key: str) -> str:
    return str(tomllib.loads(f"key = {key}")["key"]) if key[0] in "\"'" else key
