"""Facts that are typed rather than spoken: from a command's words to the ledger, all or nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from voicelog.flock import live_bands, yard_now
from voicelog.ledger import (
    CHANGES_NOTHING,
    Banded,
    Contradiction,
    Draft,
    EggsSet,
    Event,
    Fact,
    Hatched,
    Ledger,
    LotLess,
    LotMoved,
    PenNamed,
    fact_adapter,
    new_id,
)
from voicelog.values import VoicelogError

EARLIEST = date(2000, 1, 1)
LATEST = date(2199, 12, 31)
"""Days outside of these are taken for slips of the pen."""

LONGEST_TEXT = 200
"""Characters of a title, a cause or a reason."""


def parse_day(text: str) -> date:
    """A day as it is typed: 2026-05-31, today, yesterday. Raises VoicelogError for what is no day."""
    today = date.today()
    if text in ("today", "yesterday"):
        return today - timedelta(days=text == "yesterday")
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise VoicelogError(f"“{text}” is no day of the calendar; write it as 2026-05-31, today or yesterday") from None
    if day > LATEST:
        raise VoicelogError(f"{day} is too far ahead; give a day up to {LATEST}")
    return day


def fact(kind: str, on: date | None = None, **slots: Any) -> Fact:
    """One fact, checked. Raises VoicelogError for slots that cannot be, and for a day that cannot be."""
    if on is not None:
        slots["on"] = on
    return checked({"kind": kind, **{name: value for name, value in slots.items() if value is not None}})


def checked(slots: dict[str, Any]) -> Fact:
    """The fact of these slots, on a day that can be. Raises VoicelogError with what is wrong in one line."""
    made = well_formed(slots)
    check_day(getattr(made, "on", None))
    return made


def check_day(on: date | None) -> None:
    """Raises VoicelogError for a day on which nothing can have happened: one to come, or one long past."""
    if on is not None and on > date.today():
        raise VoicelogError(f"{on} is still to come; give the day on which it happened")
    if on is not None and on < EARLIEST:
        raise VoicelogError(f"{on} is long past; give the day on which it happened, from {EARLIEST} on")


def well_formed(slots: dict[str, Any]) -> Fact:
    """The fact of these slots, whatever its day. Raises VoicelogError with what is wrong in one line."""
    for name in ("title", "cause", "reason"):
        text = slots.get(name)
        if isinstance(text, str) and (len(text) > LONGEST_TEXT or not text.isprintable()):
            raise VoicelogError(f"{name}: give one line of up to {LONGEST_TEXT} characters")
    _refuse_yes_and_no(slots)
    title = slots.get("title")
    if isinstance(title, str) and not title.strip():
        raise VoicelogError("title: is empty; give what the pen is called, or leave it out")
    try:
        made: Fact = fact_adapter.validate_python(slots)
    except ValidationError as wrong:
        raise VoicelogError(f"{_plain_words(wrong)}; correct it") from None
    if isinstance(made, PenNamed) and made.title is None and made.use is None:
        raise VoicelogError(f"pen {made.pen}: say what it is called or for, with a title or a use")
    return made


def _refuse_yes_and_no(slots: dict[str, Any]) -> None:
    """No slot holds true or false, which would be kept as the numbers 1 and 0: as band 1, for one."""
    call = slots.get("call")
    for name, value in (*slots.items(), *(call.items() if isinstance(call, dict) else ())):
        if isinstance(value, bool):
            raise VoicelogError(f"{name}: {str(value).lower()} is neither a number nor a text; give one")


def check_lots(book: Ledger, facts: Sequence[Fact], where: Callable[[int], str] = lambda place: "") -> None:
    """Raises VoicelogError for a bird that is banded out of a lot that is neither in the book nor entered by these
    facts. `where` gives how its message begins, from the fact's place among them, counted from 0."""
    banded = [(place, one.lot) for place, one in enumerate(facts) if isinstance(one, Banded) and one.lot is not None]
    if not banded:
        return
    known = {*book.lots().lots, *(one.lot for one in facts if isinstance(one, EggsSet | Hatched))}
    for place, lot in banded:
        if lot not in known:
            raise VoicelogError(
                f"{where(place)}no lot {lot} in this ledger; enter it with voicelog set-eggs or voicelog hatch"
            )


def out_of_its_pen(book: Ledger, lot: str, facts: list[Fact]) -> list[Fact]:
    """The same facts of birds without bands, with the pen that they were in where the keeper named none: the one
    that all of the lot are in. Raises VoicelogError where they are in several."""
    found = {pen for name, pen in yard_now(book).loose if name == lot}
    # Birds that hatched into no pen that was named may have been in any.
    pens = [] if None in found else sorted(pen for pen in found if pen is not None)
    if not pens:
        return facts
    worn = frozenset(live_bands(book))
    slots = [_left_open(one, pens, worn) for one in facts]
    if len(pens) > 1 and any(slots):
        option = "--pen" if any(isinstance(one, LotLess) for one in facts) else "--from"
        raise VoicelogError(
            f"lot {lot} has birds without bands in several pens ({', '.join(pens)}); say which with {option}"
        )
    return [one.model_copy(update={slot: pens[0]}) if slot else one for one, slot in zip(facts, slots, strict=True)]


def _left_open(one: Fact, pens: Sequence[str], worn: frozenset[int]) -> str | None:
    """The slot that should tell in which of its lot's pens a bird was, where it does not."""
    match one:
        case Banded(from_pen=None, pen=None, band=band) if band not in worn:
            return "pen"
        case Banded(from_pen=None, pen=pen) if pen not in pens:
            return "from_pen"
        case LotMoved(from_pen=None):
            return "from_pen"
        case LotLess(pen=None):
            return "pen"
    return None


def _plain_words(wrong: ValidationError) -> str:
    """What is wrong first, with the slot that it is wrong in."""
    first = wrong.errors()[0]
    match first["type"]:
        case "string_pattern_mismatch" if first["loc"][-1] != "target":
            says = f"“{first['input']}” is no name for it; use up to 20 letters, digits, spaces, dots and dashes"
        case "string_pattern_mismatch":
            says = f"“{first['input']}” is no id of an event"
        case "string_too_short":
            says = "is empty"
        case "string_too_long":
            says = f"is longer than {first['ctx']['max_length']} characters"
        case "string_unicode":
            says = "has a broken character in it"
        case "missing":
            says = "is not given"
        case "extra_forbidden":
            says = "is no slot of this fact"
        case "union_tag_not_found":
            says = "is not given"
        case "union_tag_invalid":
            says = _no_such_kind(first["ctx"]["tag"], first["ctx"]["expected_tags"])
        case _:
            says = first["msg"].removeprefix("Value error, ")
    where = ".".join(str(part) for part in first["loc"][1:])
    if not where and first["type"].startswith("union_tag"):
        where = "kind"
    return " ".join(f"{where}: {says}".removeprefix(": ").split())


def _no_such_kind(tag: str, known: str) -> str:
    """What to say of a kind that there is none of; `known` are those that there are, each in quotes."""
    tag = tag[:40]
    kinds = {name.strip(" '") for name in known.split(",")} - CHANGES_NOTHING
    near = get_close_matches(tag, sorted(kinds), 1)
    like = f"did you mean {near[0]}?" if near else "kinds are, for example, hatched, banded, moved, died and call"
    return f"“{tag}” is no kind of fact ({like})"


def enter(ledger: Ledger, facts: Sequence[Fact], *, dry_run: bool = False) -> list[Event]:
    """Keep all these facts as a session of their own, or none; none in a dry run.

    Raises `Contradiction`, with the places of the facts, where some cannot be true beside what is known.
    """
    session = new_id()
    drafts = [Draft(id=new_id(), session=session, fact=made) for made in facts]
    try:
        return ledger.enter(drafts, dry_run=dry_run)
    except Contradiction as wrong:
        place = {draft.id: number for number, draft in enumerate(drafts, start=1)}
        wrong.places = tuple(place.get(c.event, place.get(c.other or "")) for c in wrong.conflicts)
        raise
