"""From the tags of a grammar to a typed utterance.

The tags of a path are read in order, as a small stack machine: number tags
(`digit`, `plus`, `times`, `tenth`) build a number, a slot tag puts a value, or
the number just built, into its slot.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import cast, get_args

from pydantic import ValidationError

from voicelog.grammar.utterance import Answer, CallSaid, Command, CommandName, NotUnderstood, Utterance
from voicelog.values import GRAMS_PER_OUNCE, Call, VoicelogError

COMMANDS: frozenset[str] = frozenset(get_args(CommandName))


def _number_after(tag: str, number: float | None) -> float:
    """The number after one more number tag. Raises ValueError for a tag that is none."""
    kind, _, amount = tag.partition(" ")
    match kind:
        case "digit":
            return (number or 0) * 10 + int(amount)
        case "plus":
            return (number or 0) + float(amount)
        case "times":
            return (1 if number is None else number) * float(amount)
        case "tenth":
            return (number or 0) + int(amount) / 10
    raise ValueError(tag)


NUMBER_TAGS = ("digit", "plus", "times", "tenth")


def number_of(tags: Iterable[str]) -> float | None:
    """The number that the number tags among `tags` build; None where there are none."""
    number: float | None = None
    for tag in tags:
        if tag.partition(" ")[0] in NUMBER_TAGS:
            number = _number_after(tag, number)
    return number


def _slot(kind: str, value: str, number: float | None) -> tuple[str, object]:
    """The record's slot and value for one slot tag."""
    match kind, value:
        case "weight", "grams":
            return "weight_g", round(number or 0, 1)
        case "weight", "ounces":
            return "weight_g", round((number or 0) * GRAMS_PER_OUNCE, 1)
        case "pen", "number":
            return "pen", str(int(number or 0))
        case "band", "number":
            return "band", int(number or 0)
    return kind, value


def meaning_of(tags: Iterable[str]) -> Utterance:
    """The utterance that a path's tags make.

    Raises VoicelogError for a tag that means nothing here, which is a mistake
    in the grammar file, not of the handler.
    """
    number: float | None = None
    slots: dict[str, object] = {}
    for tag in tags:
        kind, _, value = tag.partition(" ")
        if kind in NUMBER_TAGS:
            number = _number_after(tag, number)
        elif kind == "command" and value in COMMANDS:
            return Command(name=cast(CommandName, value))
        elif kind == "answer" and value in ("yes", "no"):
            return Answer(yes=value == "yes")
        else:
            slot, put = _slot(kind, value, number)
            if slot in slots:
                return NotUnderstood(why=f"{kind} was said twice")
            slots[slot] = put
            number = None
    try:
        return CallSaid(call=Call.model_validate(slots))
    except ValidationError as wrong:
        first = wrong.errors()[0]
        if first["type"] == "extra_forbidden":
            raise VoicelogError(
                f"the grammar has a tag {{{first['loc'][0]} …}} that names no slot; mend the tag in its .gram file"
            ) from None
        return NotUnderstood(why=f"{first['loc'][0]} cannot be {first['input']}")
