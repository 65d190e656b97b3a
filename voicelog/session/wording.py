"""Every sentence that the dialogue says, in one place, in plain words.

Bands and weights are spoken digit by digit (ICAO Doc 9432, Manual of Radiotelephony; ICAO Annex 10
vol. II, 5.2.1.4), so that sixteen and sixty cannot be mistaken when they are read back. Counts are
spoken as ordinary numbers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Literal

from voicelog.values import Call, Sex

Length = Literal["full", "brief", "tones"]
"""How much of a written record is read back; with tones only the earcon sounds."""

MOST_NAMED = 10
"""Bands named in one breath; the rest are counted."""

_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = (
    *("ten", "eleven", "twelve", "thirteen", "fourteen"),
    *("fifteen", "sixteen", "seventeen", "eighteen", "nineteen"),
)
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")

SAY_AGAIN = "say again"
YES_OR_NO = "yes or no"
WHICH_BAND = "which band"
NOTHING_ASKED = "nothing asked"
NOTHING_TO_STRIKE = "nothing to strike"
NOTHING_TO_CORRECT = "nothing to correct"
NOTHING_SAID = "nothing said yet"
NOT_PAUSED = "not paused"
NOT_WRITTEN = "not written"
NOTE_KEPT = "note kept"
PAUSED = "paused"
ALL_DONE = "all done"
AGAIN = "again?"
RIGHT = "right?"


def cardinal(number: int) -> str:
    """A count from 0 to 999 999 in words: 312 is "three hundred twelve"."""
    if number >= 1000:
        thousands, rest = divmod(number, 1000)
        return f"{cardinal(thousands)} thousand" + (f" {cardinal(rest)}" if rest else "")
    if number >= 100:
        hundreds, rest = divmod(number, 100)
        return f"{_DIGITS[hundreds]} hundred" + (f" {cardinal(rest)}" if rest else "")
    if number >= 20:
        tens, rest = divmod(number, 10)
        return _TENS[tens - 2] + (f" {_DIGITS[rest]}" if rest else "")
    return _TEENS[number - 10] if number >= 10 else _DIGITS[number]


def digits(text: str) -> str:
    """Each digit of a text as its own word; a decimal dot is "point", other characters stay."""
    spoken = re.sub(r"[0-9]", lambda digit: f" {_DIGITS[int(digit[0])]} ", text)
    spoken = re.sub(r"(?<= )\.(?= )", "point", spoken)
    return " ".join(spoken.split())


def band(number: int) -> str:
    """A band digit by digit: 107 is "one zero seven"."""
    return digits(str(number))


def weight(grams: float) -> str:
    """Grams digit by digit, with one decimal only where there is one: "four one one point one grams"."""
    return digits(f"{grams:.1f}".removesuffix(".0")) + " grams"


def slot(name: str, value: object) -> str:
    """One slot of a call as it is read back: "male", "foam yes", "to pen six"."""
    match name:
        case "weight_g":
            assert isinstance(value, float)
            return weight(value)
        case "foam" | "gland" | "breast":
            return f"{name} {value}"
        case "pen":
            return f"to pen {digits(str(value))}"
        case _:
            return str(value)


def record(call: Call) -> str:
    """A whole record: "four two, male, foam yes"."""
    named = [] if call.band is None else [band(call.band)]
    return ", ".join(named + [slot(name, value) for name, value in call.said().items()])


def readback(call: Call, length: Length) -> str:
    """A record as it is said back after it was written; `full` says the word band before the number."""
    return f"band {record(call)}" if length == "full" else record(call)


def corrected(call: Call, wrong_band: int) -> str:
    """A correction as it is said back; names the band that is taken back, when it is another one."""
    other = f", not {band(wrong_band)}" if wrong_band != call.band else ""
    return f"corrected: {record(call)}{other}"


def struck(call: Call, back: Call | None) -> str:
    """A call no longer counts; `back` is the call that it had replaced and that counts again."""
    again = f"; {record(back)} counts again" if back else ""
    return f"struck: {record(call)}{again}"


def no_such_band(number: int) -> str:
    return f"no band {band(number)} here"


def correct(number: int) -> str:
    """The next call replaces the last one, which was about this band."""
    return f"correct {band(number)}"


def stays(call: Call) -> str:
    """A correction was called off."""
    return f"{record(call)} stays"


def not_written(number: int) -> str:
    """A question was passed over, and with it a call about this band."""
    return f"{band(number)} {NOT_WRITTEN}"


def not_corrected(number: int) -> str:
    """A correction was passed over."""
    return f"{band(number)} not corrected"


def still_wrong(number: int) -> str:
    """The answer to a correction was no; the next call still replaces the wrong one."""
    return f"{NOT_WRITTEN}, {correct(number)}"


def is_it(call: Call) -> str:
    """Asks whether the whole call was heard right."""
    return f"{record(call)}? {YES_OR_NO}"


def which(call: Call, other: Call, name: str, other_name: str) -> str:
    """Asks which of two readings is right, which a slot of either tells apart: "four two: male, or female?"."""
    assert call.band is not None
    if name == "band":
        assert other.band is not None
        return f"band {band(call.band)}, or {band(other.band)}?"
    return f"{band(call.band)}: {slot(name, getattr(call, name))}, or {slot(other_name, getattr(other, other_name))}?"


def was(number: int, name: str, earlier: object, when: str) -> str:
    """What an earlier call said of the bird: "four two was female at six weeks"."""
    verb = "had" if name in {"foam", "gland", "breast"} else "was"
    return f"{band(number)} {verb} {slot(name, earlier)} {when}"


def now(name: str, value: object) -> str:
    """Asks whether what is called now is meant, against what `was`."""
    return f"{slot(name, value)} now?"


def done_already(number: int) -> str:
    return f"{band(number)} is done"


def found(number: int, condition: str) -> str:
    return f"{band(number)} {condition}"


def to_be_culled(number: int) -> str:
    return f"cull {band(number)}"


def out_of_range(number: int, grams: float, *, heavy: bool) -> str:
    return f"{band(number)} at {weight(grams)} is {'heavy' if heavy else 'light'}"


def left(count: int) -> str:
    return f"{cardinal(count)} left" if count else "none left"


def who_is_left(bands: Sequence[int]) -> str:
    return f"left: {_bands(bands)}" if bands else left(0)


def note_on(number: int | None) -> str:
    """The next sound is kept as a note on this bird, or on none."""
    return f"note on {'no bird' if number is None else band(number)}"


def listening(in_hand: int | None, where_it_stands: str) -> str:
    """Listening again. Names the bird in hand, which may have been put down in the meantime."""
    held = "" if in_hand is None else f", {band(in_hand)} in hand"
    return f"listening{held}, {where_it_stands}"


def finished(by_sex: Mapping[str, int], not_seen: Sequence[int], no_sex: Sequence[int]) -> str:
    """The end of a session: birds done by sex, bands never met, bands met but without a sex."""
    birds = sum(by_sex.values())
    kinds = ", ".join(f"{cardinal(count)} {name}" for name, count in by_sex.items() if count)
    total = f"{cardinal(birds)} bird{'' if birds == 1 else 's'}: {kinds}." if birds else "no birds."
    missed = f" not seen: {_bands(not_seen)}." if not_seen else ""
    unsexed = f" no sex: {_bands(no_sex)}." if no_sex else ""
    return f"finished. {total}{missed}{unsexed}"


def finished_kind(kind: str, seen: int, not_seen: Sequence[int], to: str | None) -> str:
    """The end of a weigh-in, a roll call or a move."""
    birds = f"{cardinal(seen)} bird{'' if seen == 1 else 's'}"
    did = {"weighing": "weighed", "roll call": "seen"}.get(kind, f"to pen {digits(to or '')}")
    missed = f" not {did}: {_bands(not_seen)}." if not_seen else ""
    return f"finished. {birds} {did}.{missed}"


def conflicts(count: int) -> str:
    """At the end of a session: so many things cannot all be true, its facts among them."""
    return f"{cardinal(count)} conflict{'' if count == 1 else 's'}, see voicelog conflicts"


def is_gone(number: int, how: str) -> str:
    """A bird that is no more: `how` is "dead" or "sold"."""
    return f"{band(number)} is {how}"


def next_free(number: int | None) -> str:
    return "no free band" if number is None else f"next {band(number)}"


def banded(count: int, following: int | None) -> str:
    return f"{cardinal(count)} banded, {next_free(following)}"


def counted(sex: str, count: int) -> str:
    """One bird of a tally, and how many of its sex that makes."""
    return f"{sex} {cardinal(count)}"


def uncounted(sex: str, count: int) -> str:
    return f"struck: {sex}; {cardinal(count)} {sex}"


def tally(counts: Mapping[Sex, int]) -> str:
    """What was counted so far: "sixty: thirty female, twenty eight male, two unsure"."""
    kinds = ", ".join(f"{cardinal(count)} {sex}" for sex, count in counts.items() if count)
    total = cardinal(sum(counts.values()))
    return f"{total}: {kinds}" if kinds else total


def split(counts: Mapping[Sex, int], males_to: str | None) -> str:
    """The end of a tally, and what goes where."""
    males = counts["male"]
    where = f"to pen {digits(males_to)}" if males_to else "out of this pen"
    send = f" {cardinal(males)} male {where}, the others stay." if males else ""
    return f"finished. {tally(counts)}.{send}"


CLOCK_BEHIND = "the clock is behind the ledger"
ANY_BAND = "listening for any band"


def pen_unknown(pen: str) -> str:
    """No fact of the ledger names the pen of the session: it may be a slip."""
    return f"pen {digits(pen)} is not in the book"


def no_banded_bird(pen: str) -> str:
    """No bird with a band is known to be in the pen of the session."""
    return f"no banded bird in pen {digits(pen)}"


def opening(pen: str, check: str | None, count: int) -> str:
    """How a session begins: "pen three, second vent check, thirty one birds"."""
    birds = f"{cardinal(count)} bird{'' if count == 1 else 's'}"
    return ", ".join(part for part in (f"pen {digits(pen)}", check, birds) if part)


def _bands(bands: Sequence[int]) -> str:
    rest = len(bands) - MOST_NAMED
    named = ", ".join(band(number) for number in bands[:MOST_NAMED])
    return f"{named} and {cardinal(rest)} more" if rest > 0 else named
