"""What is said in the single calls: slots with values, and the words a handler says for them.

The words are made from the values here; `tests/test_fixtures.py` reads them back by a way of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import cycle, islice, pairwise
from typing import TypeVar

import numpy as np

GRAMS_PER_OUNCE = 28.349523125
SLOTS = ("band", "sex", "foam", "gland", "breast", "weight_g", "condition", "fate", "pen")

Value = int | float | str
Record = dict[str, Value | None]
T = TypeVar("T")

_SMALL = [
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine",
    "ten", "eleven", "twelve", "thirteen", "fourteen",
    "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
]  # fmt: skip
_TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
_ROSTER_TOP = 299


@dataclass(frozen=True, slots=True)
class Part:
    """One thing said about the bird: its slot, the value to be logged, the words said."""

    slot: str
    value: Value
    words: str


@dataclass(frozen=True, slots=True)
class SaidCall:
    """A whole call as it is spoken and as it must be logged."""

    band_words: str
    band: int
    parts: tuple[Part, ...]

    @property
    def said(self) -> str:
        return " ".join([self.band_words, *(part.words for part in self.parts)])

    @property
    def record(self) -> Record:
        return record(band=self.band, **{part.slot: part.value for part in self.parts})


def record(**slots: Value) -> Record:
    """All nine slots, None where nothing was said."""
    return dict.fromkeys(SLOTS) | slots


# Numbers ---------------------------------------------------------------------------------------


def digits(number: int, zero: str = "oh") -> str:
    """42 is "four two", 107 is "one oh seven"."""
    return " ".join(zero if d == "0" else _SMALL[int(d)] for d in str(number))


def cardinal(number: int, joint: str = " ") -> str:
    """42 is "forty two", 107 is "one hundred seven", or with a joint of " and " "one hundred and seven"."""
    hundreds, rest = divmod(number, 100)
    if hundreds:
        return f"{_SMALL[hundreds]} hundred" + (joint + cardinal(rest) if rest else "")
    if number < len(_SMALL):
        return _SMALL[number]
    tens, units = divmod(number, 10)
    return _TENS[tens - 2] + (f" {_SMALL[units]}" if units else "")


def cardinal_and(number: int) -> str:
    return cardinal(number, " and ")


# Decks: every value comes once before any comes again ------------------------------------------


def deck(cards: list[T], rng: np.random.Generator) -> Iterator[T]:
    """Deal `cards` in a random order, shuffle and deal again, without end."""
    while True:
        for i in rng.permutation(len(cards)):
            yield cards[i]


def _words_deck(slot: str, words: dict[str, str], rng: np.random.Generator) -> Iterator[Part]:
    return deck([Part(slot, value, said) for said, value in words.items()], rng)


_WEIGHT_WAYS = ["cardinal", "half", "digits", "whole", "and", "point", "named"]


def _weights(voice_number: int, rng: np.random.Generator) -> Iterator[Part]:
    """Grams in four ways and ounces in three, between 142 and 468 g; a voice says three or four
    weights, so each goes on where the voice before it stopped."""
    for way in islice(cycle(_WEIGHT_WAYS), voice_number * 3, None):
        grams, ounces, tenth = int(rng.integers(150, 460)), int(rng.integers(5, 17)), int(rng.integers(1, 10))
        match way:
            case "cardinal":
                yield Part("weight_g", float(grams), f"{cardinal(grams)} grams")
            case "and":
                yield Part("weight_g", float(grams), f"{cardinal_and(grams)} grams")
            case "digits":
                grams = grams // 10 * 10
                yield Part("weight_g", float(grams), f"{digits(grams, 'zero')} grams")
            case "named":
                yield Part("weight_g", float(grams), f"weight {cardinal(grams)} grams")
            case "half":
                yield _ounces(ounces + 0.5, f"{cardinal(ounces)} and a half ounces")
            case "point":
                tenth = min(tenth, 5) if ounces == 16 else tenth
                yield _ounces(ounces + tenth / 10, f"{cardinal(ounces)} point {_SMALL[tenth]} ounces")
            case _:
                yield _ounces(ounces, f"{cardinal(ounces)} ounces")


def _ounces(ounces: float, words: str) -> Part:
    return Part("weight_g", round(ounces * GRAMS_PER_OUNCE, 1), words)


def _pens(rng: np.random.Generator) -> Iterator[Part]:
    for pen in deck(list(range(1, 13)), rng):
        yield Part("pen", str(pen), f"to pen {cardinal(pen)}")


# Calls -----------------------------------------------------------------------------------------

_SEXES = {
    "male": "male", "cock": "male", "rooster": "male",
    "female": "female", "hen": "female",
    "unsure": "unsure",
}  # fmt: skip
# Bands that sound alike. The last are the digits a voice makes most alike: three, four; five, nine;
# one, four.
_TEENS_AND_TENS = [(13, 30), (14, 40), (16, 60), (17, 70), (18, 80), (19, 90)]
_DIGIT_PAIRS = [(13, 14), (51, 91), (41, 11), (25, 29), (105, 109), (61, 64)]
_BAND_WAYS: list[tuple[Callable[[int], str], int, int]] = [
    (digits, 21, 99),
    (digits, 101, 109),
    (digits, 111, _ROSTER_TOP),
    (cardinal, 21, 99),
    (cardinal, 101, _ROSTER_TOP),
    (cardinal_and, 101, _ROSTER_TOP),
    (cardinal, 1, 12),
]
# How many things are said of each bird after its band; the first four calls are a band alone.
_PART_COUNTS = [1, 1, 1, 1, 2, 2, 2, 2, 2, 3, 3, 4]
# These sound like one more digit behind a band: sick and six, fine and five.
_LIKE_A_DIGIT = {"sick", "fine"}
# What may not come straight after a band, so is never the only thing said.
_NOT_ALONE = {"weight_g", "condition"}


def calls(voice_number: int, rng: np.random.Generator) -> list[SaidCall]:
    """The 20 calls of one voice: four bands alone, four bands that sound alike in pairs, and
    twelve with one to four things said. Over a few calls every word of the grammar is said."""
    slots: dict[str, Iterator[Part]] = {
        "sex": _words_deck("sex", _SEXES, rng),
        "foam": _words_deck("foam", {f"foam {v}": v for v in ("yes", "no", "trace")}, rng),
        "gland": _words_deck("gland", {f"gland {v}": v for v in ("yes", "no")}, rng),
        "breast": _words_deck("breast", {f"breast {v}": v for v in ("rust", "speckled", "mixed")}, rng),
        "weight_g": _weights(voice_number, rng),
        "condition": _words_deck("condition", {v: v for v in ("fine", "injured", "sick", "dead")}, rng),
        "fate": _words_deck("fate", {v: v for v in ("keep", "grow out", "sell", "cull")}, rng),
        "pen": _pens(rng),
    }
    # The weight comes twice as often as the rest, for it is said in seven ways.
    others = deck([*(slot for slot in slots if slot != "sex"), "weight_g"], rng)
    bands = _bands(rng)

    made = [SaidCall(*next(bands), ()) for _ in range(4)]
    for way, pair in (
        (cardinal, (15, 50) if voice_number % 2 else _TEENS_AND_TENS[voice_number // 2 % 6]),
        (digits, _DIGIT_PAIRS[voice_number % 6]),
    ):
        made += [SaidCall(f"band {way(band)}", band, (next(slots["sex"]),)) for band in pair]
    for count in _PART_COUNTS:
        wanted = ["sex"] if count > 1 else []
        while len(wanted) < count:
            slot = next(others)
            if slot not in wanted and not (count == 1 and slot in _NOT_ALONE):
                wanted.append(slot)
        parts = _in_order([next(slots[slot]) for slot in wanted], rng)
        made.append(SaidCall(*next(bands), parts))
    return made


def _bands(rng: np.random.Generator) -> Iterator[tuple[str, int]]:
    for way, low, high in deck(_BAND_WAYS, rng):
        band = int(rng.integers(low, high + 1))
        yield f"band {way(band)}", band


def _in_order(parts: list[Part], rng: np.random.Generator) -> tuple[Part, ...]:
    """The parts in a random order in which no number runs into another: a weight comes neither
    straight after the band nor straight after a pen, or "four two four one zero grams" would
    have two meanings."""
    while True:
        order = [parts[i] for i in rng.permutation(len(parts))]
        slots = ["band", *(part.slot for part in order)]
        runs_on = {("band", "weight_g"), ("pen", "weight_g")} & set(pairwise(slots))
        if not runs_on and order[0].words not in _LIKE_A_DIGIT:
            return tuple(order)
