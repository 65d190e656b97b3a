"""Random calls over the shipped vocabulary: words to be said, and the record that must come of them.

How often each part comes is a guess at a day of sexing, not a count of one. A call
whose words could mean two things is drawn again: nobody could say what is right.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from voicelog.grammar import CallSaid, Grammars
from voicelog.places import shipped
from voicelog.values import Call

BANDS = tuple(range(1, 300))
"""Every band that is ever said; the roster `all`."""

PEN_SIZE = 40
PENS = 10
"""So many pens are drawn from a seed; the calls of a cell take turns in them."""

_ONES = ("", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = ("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")
_TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")

_SHARES = (
    ("sex", 0.85),
    ("foam", 0.35),
    ("gland", 0.2),
    ("breast", 0.2),
    ("weight", 0.25),
    ("condition", 0.1),
    ("fate", 0.12),
    ("pen", 0.1),
)
"""In what share of calls each part is said, in the order in which parts are mostly said."""

_SHUFFLED = 0.3
_DIGIT_BY_DIGIT = 0.65


@dataclass(frozen=True, slots=True)
class SpokenCall:
    """The words of a call, and the record that is right."""

    words: tuple[str, ...]
    truth: Call

    @property
    def text(self) -> str:
        return " ".join(self.words)


class CallDrawer:
    """Draws calls. What they mean is read from the shipped grammar with every band live."""

    def __init__(self) -> None:
        self._grammar = Grammars(shipped("grammars")).compile("call", BANDS)

    def draw(self, draw: random.Random, bands: tuple[int, ...] = BANDS) -> SpokenCall:
        """A call about one of `bands`, which are all of 1 to 299."""
        while True:
            band = draw.choice(bands)
            words = tuple(_call(band, draw).split())
            meaning = self._grammar.understand(words)
            if isinstance(meaning, CallSaid) and meaning.call.band == band:
                return SpokenCall(words, meaning.call)


def pens(seed: int) -> tuple[tuple[int, ...], ...]:
    """The pens of a seed: `PENS` rosters of `PEN_SIZE` bands each, in order."""
    draw = random.Random(f"pens {seed}")
    return tuple(tuple(sorted(draw.sample(BANDS, PEN_SIZE))) for _ in range(PENS))


def cardinal(number: int, draw: random.Random) -> str:
    """1 to 999 as a number word, "and" after the hundreds at will."""
    if number >= 100:
        rest = number % 100
        joint = draw.choice((" ", " and ")) if rest else ""
        return f"{_ONES[number // 100]} hundred{joint}{cardinal(rest, draw) if rest else ''}"
    if number < 10:
        return _ONES[number]
    if number < 20:
        return _TEENS[number - 10]
    return f"{_TENS[number // 10]} {_ONES[number % 10]}".strip()


def digits(number: int, draw: random.Random) -> str:
    """A number digit by digit; zero is "oh" or "zero"."""
    return " ".join(_ONES[int(digit)] or draw.choice(("oh", "zero")) for digit in str(number))


def _call(band: int, draw: random.Random) -> str:
    said = digits(band, draw) if draw.random() < _DIGIT_BY_DIGIT else cardinal(band, draw)
    parts = [_part(name, draw) for name, share in _SHARES if draw.random() < share]
    if draw.random() < _SHUFFLED:
        draw.shuffle(parts)
    return " ".join(["band", said, *parts])


def _part(name: str, draw: random.Random) -> str:
    match name:
        case "sex":
            return draw.choice(("male", "cock", "rooster", "female", "hen", "unsure"))
        case "foam":
            return "foam " + draw.choice(("yes", "no", "trace"))
        case "gland":
            return "gland " + draw.choice(("yes", "no"))
        case "breast":
            return "breast " + draw.choice(("rust", "speckled", "mixed"))
        case "weight":
            return draw.choice(("", "weight ")) + _weight(draw)
        case "condition":
            return draw.choice(("fine", "injured", "sick", "dead"))
        case "fate":
            return draw.choice(("keep", "grow out", "sell", "cull"))
        case _:
            return "to pen " + cardinal(draw.randint(1, 12), draw)


def _weight(draw: random.Random) -> str:
    ounces = cardinal(draw.randint(4, 18), draw)
    return draw.choice(
        (
            cardinal(draw.randint(90, 560), draw) + " grams",
            digits(draw.randint(100, 560), draw) + " grams",
            ounces + draw.choice(("", " and a half")) + " ounces",
            f"{ounces} point {digits(draw.randint(0, 9), draw)} ounces",
        )
    )
