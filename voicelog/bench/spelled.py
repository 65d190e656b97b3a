"""The text of an open recogniser as a handler would type it: numerals and units in words."""

from __future__ import annotations

import random
import re

from voicelog.bench.calls import cardinal

_UNITS = {"g": "grams", "oz": "ounces"}


def spelled_out(text: str) -> str:
    """Lower case, no punctuation, numerals in words: of “Band 42, 14.5 oz.” band forty two fourteen point five ounces.

    Numerals that no number word fits (a leading zero, a thousand or more) stay for the parser to spell digit by digit.
    """
    text = re.sub(r"(?<=\d)\s*(oz|g)\b", lambda unit: f" {_UNITS[unit[1]]}", text.lower())
    text = re.sub(r"(\d+)\.(\d)(?!\d)", r"\1 point \2", text)
    text = re.sub(r"\d+", lambda numeral: _in_words(numeral[0]), text)
    return " ".join(re.findall(r"[a-z']+|\d+", text))


def _in_words(numeral: str) -> str:
    if numeral.startswith("0") or len(numeral) > 3:
        return numeral
    return cardinal(int(numeral), random.Random(0)).replace(" and ", " ")
