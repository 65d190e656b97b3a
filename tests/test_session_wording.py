"""What is said back, word for word.

Digits one by one: ICAO Doc 9432, Manual of Radiotelephony, and ICAO Annex 10 vol. II, 5.2.1.4 ("all
numbers ... transmitted by pronouncing each digit separately"; from memory, the page is not in hand).
"""

from __future__ import annotations

import pytest

from voicelog.session import wording
from voicelog.values import Call

UNITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TEENS = ["ten", "eleven", "twelve", "thirteen", "fourteen"]
TEENS += ["fifteen", "sixteen", "seventeen", "eighteen", "nineteen"]
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
VALUES = dict(zip(UNITS + TEENS + TENS, [*range(20), *range(20, 100, 10)], strict=True))


@pytest.mark.parametrize(
    ("number", "words"),
    [(3, "three"), (16, "one six"), (60, "six zero"), (107, "one zero seven"), (9000, "nine zero zero zero")],
)
def test_bands_are_spoken_digit_by_digit(number: int, words: str) -> None:
    assert wording.band(number) == words


def test_every_band_is_its_digits_and_no_two_bands_sound_alike() -> None:
    spoken = [wording.band(number) for number in range(1, 10_000)]
    assert spoken == [" ".join(UNITS[int(digit)] for digit in str(number)) for number in range(1, 10_000)]
    assert len(set(spoken)) == len(spoken)


@pytest.mark.parametrize(
    ("grams", "words"),
    [
        (410.0, "four one zero grams"),
        (411.1, "four one one point one grams"),
        (99.9, "nine nine point nine grams"),
        (0.5, "zero point five grams"),
        (120.04, "one two zero grams"),
    ],
)
def test_weights_are_spoken_digit_by_digit_with_a_tenth_where_there_is_one(grams: float, words: str) -> None:
    assert wording.weight(grams) == words


def _value(words: str) -> int:
    """The number that a cardinal means, by the rules of English and not by the code under test."""
    total = below_thousand = 0
    for word in words.split():
        if word == "thousand":
            total, below_thousand = total + below_thousand * 1000, 0
        elif word == "hundred":
            below_thousand *= 100
        else:
            below_thousand += VALUES[word]
    return total + below_thousand


def test_counts_are_ordinary_numbers() -> None:
    assert wording.cardinal(0) == "zero"
    assert wording.cardinal(12) == "twelve"
    assert wording.cardinal(21) == "twenty one"
    assert wording.cardinal(312) == "three hundred twelve"
    assert wording.cardinal(1040) == "one thousand forty"
    assert [_value(wording.cardinal(number)) for number in range(10_000)] == list(range(10_000))
    assert not any("zero" in wording.cardinal(number) for number in range(1, 10_000))


def test_a_record_names_its_slots_in_order() -> None:
    call = Call(
        band=205,
        sex="male",
        foam="trace",
        gland="yes",
        breast="rust",
        weight_g=411.1,
        condition="injured",
        fate="grow out",
        pen="12",
    )
    assert wording.readback(call, "full") == (
        "band two zero five, male, foam trace, gland yes, breast rust, "
        "four one one point one grams, injured, grow out, to pen one two"
    )
    assert wording.readback(Call(band=42), "brief") == "four two"


@pytest.mark.parametrize(("pen", "words"), [("6", "to pen six"), ("north", "to pen north"), ("6b", "to pen six b")])
def test_pens_are_named_or_spoken_digit_by_digit(pen: str, words: str) -> None:
    assert wording.slot("pen", pen) == words


def test_of_many_bands_ten_are_named() -> None:
    ten = "one, two, three, four, five, six, seven, eight, nine, one zero"
    assert wording.who_is_left(range(1, 11)) == f"left: {ten}"
    assert wording.who_is_left(range(1, 23)) == f"left: {ten} and twelve more"
    assert wording.who_is_left([3, 7, 12]) == "left: three, seven, one two"
    assert wording.who_is_left([]) == "none left"


def test_the_end_of_a_session() -> None:
    by_sex = {"male": 14, "female": 15, "unsure": 1, "dead": 0}
    assert wording.finished(by_sex, [12, 19], []) == (
        "finished. thirty birds: fourteen male, fifteen female, one unsure. not seen: one two, one nine."
    )
    assert wording.finished({"male": 1, "female": 0}, [], [44]) == "finished. one bird: one male. no sex: four four."
    assert wording.finished({"male": 0}, [1], []) == "finished. no birds. not seen: one."
