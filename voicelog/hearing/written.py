"""How a person would write what was said: the second listener learnt from written English."""

from __future__ import annotations

from collections.abc import Sequence

_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = ("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
_UNITS = {word: number for number, word in enumerate(_DIGITS)} | {"oh": 0}
_LARGER = {word: number for number, word in enumerate(_TEENS, 10)} | {
    word: 10 * ten for ten, word in enumerate(_TENS, 2)
}
_NUMBERS = {**_UNITS, **_LARGER, "hundred": 100}

_KNOWN_AS = {"cull": "call", "speckled": "special"}
"""Words that the second listener hardly ever read, each with one that it knows, which is weighed in its place.

Where they are said, that is likelier by 13 and 21 nats (medians, fitted voices); where "sell", "rust" or "mixed" is
said, still less likely than these by 5 at the least. "Cull" itself it found less likely than no word at all, in each of
40 calls. But "cock" of one voice is "call" to it; so "cull" without a sex beside it is asked about. "Gland" is left as
it is, though "land" is likelier by 8: it is what "foam" is heard as, and doubt of it is wanted.
"""


def ways_to_write(words: Sequence[str]) -> tuple[str, ...]:
    """The sentence in words, and with numerals where it has numbers: Band forty two, male. Band 42, male."""
    words = [_KNOWN_AS.get(word, word) for word in words]
    plain, numerals = " ".join(words), " ".join(_with_numerals(words))
    return tuple(text.capitalize() + "." for text in dict.fromkeys((plain, numerals)))


def _with_numerals(words: Sequence[str]) -> list[str]:
    """Runs of number words as one numeral each: of “four two” and of “forty two” 42, of “one oh seven” 107."""
    written, run = list[str](), list[str]()
    for at, word in enumerate(words):
        follows = words[at + 1] if at + 1 < len(words) else ""
        if word in _NUMBERS:
            run.append(word)
        elif not (word == "and" and run[-1:] == ["hundred"] and follows in _NUMBERS):
            written += [_numeral(run)] if run else []
            run = []
            written.append(word)
    return written + ([_numeral(run)] if run else [])


def _numeral(run: Sequence[str]) -> str:
    if all(word in _UNITS for word in run):
        return "".join(str(_UNITS[word]) for word in run)
    number = 0
    for word in run:
        number = max(number, 1) * 100 if word == "hundred" else number + _NUMBERS[word]
    return str(number)
