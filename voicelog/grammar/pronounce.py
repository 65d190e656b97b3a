"""How words are pronounced: phones by word, from the recogniser's own dictionary and the keeper's words."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib.util import find_spec
from itertools import product, takewhile
from pathlib import Path

from voicelog.grammar.confusion import PhoneCosts, load_costs
from voicelog.grammar.distance import phone_distance
from voicelog.grammar.phones import PHONES
from voicelog.values import VoicelogError

DICTIONARY_NAME = "pronunciations.dict"
"""In a folder of grammars: the pronunciations of its words, in place of the English dictionary."""

MOST_WAYS = 8
"""Ways to say a wording that are looked at; each word may have several."""

Phones = tuple[str, ...]


def phones_of(text: str) -> Phones:
    """The phones of a pronunciation as it is written, stress marks left out: "K W EY1 L".

    Raises ValueError naming what is no phone.
    """
    phones = tuple(part.rstrip("012") for part in text.upper().split())
    strange = [phone for phone in phones if phone not in PHONES]
    if strange or not phones:
        raise ValueError(f"“{strange[0]}” is no ARPAbet phone" if strange else "no phones are given")
    return phones


def read_dictionary(path: Path) -> dict[str, tuple[Phones, ...]]:
    """A dictionary in the CMU form: a word and its phones a line, a second way as `word(2)`.

    Raises VoicelogError with file and line.
    """
    ways: dict[str, list[Phones]] = defaultdict(list)
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as wrong:
        raise VoicelogError(f"{path}: cannot be read ({wrong}); give a pronouncing dictionary in UTF-8") from None
    for number, line in enumerate(lines, 1):
        word, _, phones = line.partition(" ")
        if not word or word.startswith(";;;"):
            continue
        try:
            ways[re.sub(r"\(\d+\)$", "", word)].append(phones_of(phones))
        except ValueError as wrong:
            raise VoicelogError(f"{path}:{number}:1: {word}: {wrong}; write a line as: quail K W EY L") from None
    return {word: tuple(found) for word, found in ways.items()}


@cache
def _english_text() -> str:
    """The dictionary in PocketSphinx's wheel (CMU's, about 134 000 words), found without loading the library.

    Kept as text: as a mapping it takes ten times the memory, and a session looks up a hundred words.
    """
    spec = find_spec("pocketsphinx")
    folder = Path(spec.origin).parent if spec and spec.origin else Path()
    path = folder / "model" / "en-us" / "cmudict-en-us.dict"
    if not path.is_file():
        raise VoicelogError(
            "PocketSphinx is installed without its dictionary; install the wheel again: "
            "pip install --force-reinstall pocketsphinx"
        )
    return f"\n{path.read_text(encoding='utf-8')}\n"


@lru_cache(maxsize=4096)
def english(word: str) -> str | None:
    """The phones of an English word, a second way as `word(2)`; None for a word that is not in the dictionary.

    Raises VoicelogError where PocketSphinx's wheel lacks it.
    """
    text = _english_text()
    start = text.find(f"\n{word} ")
    return None if start < 0 else text[start + len(word) + 2 : text.index("\n", start + 1)]


def no_dictionary(word: str) -> None:
    """Stands in for `english` where the words are of another language."""


@dataclass(frozen=True, eq=False)
class Sounds:
    """Pronunciations and the costs of mistaking phones: together, how alike words sound.

    `own` are words of a grammar folder or of a yard file, as phones; `base` looks a word up
    in the dictionary beneath them.
    """

    own: Mapping[str, tuple[Phones, ...]] = field(default_factory=dict)
    base: Callable[[str], str | None] = english
    costs: PhoneCosts = field(default_factory=load_costs)

    @lru_cache(maxsize=4096)  # noqa: B019 - one Sounds lives as long as the program
    def ways(self, word: str) -> tuple[Phones, ...]:
        """Every way to say a word; none where no pronunciation is known."""
        names = (word, *(f"{word}({number})" for number in range(2, MOST_WAYS)))
        listed = takewhile(lambda phones: phones is not None, map(self.base, names))
        return tuple(dict.fromkeys((*self.own.get(word, ()), *(phones_of(phones) for phones in listed if phones))))

    @lru_cache(maxsize=65536)  # noqa: B019
    def distance(self, a: Sequence[str], b: Sequence[str], limit: float = 1.0) -> float:
        """How far apart two wordings (tuples of words) sound, from 0 to 1.

        Words that both begin or end with are no help in telling them apart and are
        left out; where nothing else is left of one, the word before stays. 1 where
        a word has no pronunciation, or what is surely beyond `limit`.
        """
        a, b = differing(a, b)
        said, other = self._said(a), self._said(b)
        return min((phone_distance(x, y, self.costs, limit) for x in said for y in other), default=1.0)

    @lru_cache(maxsize=4096)  # noqa: B019
    def _said(self, words: Sequence[str]) -> tuple[Phones, ...]:
        ways = [self.ways(word) for word in words]
        return tuple(sum(way, ()) for way, _ in zip(product(*ways), range(MOST_WAYS), strict=False))


def differing(a: Sequence[str], b: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What two wordings do not share at their beginning and end; neither is empty unless a wording is."""
    least = min(len(a), len(b))
    before = next((at for at in range(least) if a[at] != b[at]), least)
    after = next((at for at in range(least - before) if a[-1 - at] != b[-1 - at]), least - before)
    if before and before + after == least:
        before -= 1
    elif before + after == least and after:
        after -= 1
    return tuple(a[before : len(a) - after]), tuple(b[before : len(b) - after])
