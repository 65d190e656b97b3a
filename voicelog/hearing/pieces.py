"""The pieces of words that the second listener writes with: byte pair encoding (Sennrich et al. 2016), as the file
`tokenizer.json` of its model has it. A text is taken word by word, each with the blank before it."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

_WORDS = re.compile(r"'(?:s|t|re|ve|m|ll|d)| ?[^\W\d_]+| ?\d+| ?(?:[^\w\s]|_)+|\s+")
"""Letters, figures and signs apart, as the model was trained."""


def _letters() -> dict[int, str]:
    """The letter that stands for each byte in the file: itself where it can be seen, else one from 256 on."""
    seen = [*range(ord("!"), ord("~") + 1), *range(ord("¡"), ord("¬") + 1), *range(ord("®"), ord("ÿ") + 1)]
    others = [byte for byte in range(256) if byte not in seen]
    return {byte: chr(byte) for byte in seen} | {byte: chr(256 + at) for at, byte in enumerate(others)}


_LETTERS = _letters()
_BYTES = {letter: byte for byte, letter in _LETTERS.items()}


class Pieces:
    """Texts to the numbers of their pieces and back; `named` has the numbers of the signs that are no text.

    Raises ValueError or KeyError for a file of another kind.
    """

    def __init__(self, tokenizer_json: str) -> None:
        kept = json.loads(tokenizer_json)
        self._numbers: dict[str, int] = kept["model"]["vocab"]
        self._texts = {number: piece for piece, number in self._numbers.items()}
        pairs = (pair.split(" ") if isinstance(pair, str) else pair for pair in kept["model"]["merges"])
        self._ranks = {(left, right): rank for rank, (left, right) in enumerate(pairs)}
        self.named: dict[str, int] = {sign["content"]: sign["id"] for sign in kept["added_tokens"]}
        self._of_word = lru_cache(4096)(self._merged)

    def of(self, text: str) -> list[int]:
        return [number for word in _WORDS.findall(text) for number in self._of_word(word)]

    def text(self, numbers: Sequence[int]) -> str:
        """What the pieces spell; signs that are no text are left out."""
        written = "".join(self._texts[number] for number in numbers if number not in self.named.values())
        return bytes(_BYTES[letter] for letter in written).decode(errors="replace")

    def _merged(self, word: str) -> list[int]:
        pieces = [_LETTERS[byte] for byte in word.encode()]
        while len(pieces) > 1:
            ranks = [self._ranks.get(pair, len(self._ranks)) for pair in pairwise(pieces)]
            best = min(ranks)
            if best == len(self._ranks):
                break
            at = ranks.index(best)
            pieces[at : at + 2] = [pieces[at] + pieces[at + 1]]
        return [self._numbers[piece] for piece in pieces]
