"""A keeper's list of birds as CSV, read into facts; every bad line is named."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pydantic import ValidationError

from voicelog.flock.varieties import Plans
from voicelog.ledger import Banded, CallMade, Fact, Hatched
from voicelog.values import Call, VoicelogError, composed

NEEDED = ("band",)
COLUMNS = ("band", "lot", "variety", "hatched", "pen", "sex", "weight_g", "condition", "fate")
"""The columns that a list may have; only the band is needed. `hatched` is a day, such as 2026-05-01."""


@dataclass(frozen=True, slots=True)
class BirdList:
    """The facts of the good lines, and what is wrong with each bad one; both with the number of their line."""

    facts: tuple[tuple[int, Fact], ...]
    birds: int
    wrong: tuple[tuple[int, str], ...]


def read_bird_list(path: Path, plans: Plans, known_lots: frozenset[str], on: date) -> BirdList:
    """The birds of a CSV file, as of the day `on`.

    A lot that is not known yet is entered too, as hatched with as many birds as the list has.
    Raises VoicelogError for a file that is no CSV in UTF-8, or has columns that are not known.
    """
    lines = _rows(path)
    facts: list[tuple[int, Fact]] = []
    wrong: list[tuple[int, str]] = []
    seen: dict[int, int] = {}
    lots: dict[str, tuple[str, str]] = {}
    counts: Counter[str] = Counter()
    for number, row in lines:
        try:
            made = _bird(row, plans, known_lots, lots, on)
        except VoicelogError as bad:
            wrong.append((number, str(bad)))
            continue
        band = made[0].band
        if band in seen:
            wrong.append((number, f"band {band} is on line {seen[band]} already; a bird has one line"))
            continue
        seen[band] = number
        facts += [(number, fact) for fact in made]
        if made[0].lot is not None:
            counts[made[0].lot] += 1
    hatched: list[tuple[int, Fact]] = [
        (1, Hatched(lot=lot, variety=variety, count=counts[lot], on=date.fromisoformat(day)))
        for lot, (variety, day) in lots.items()
        if counts[lot]
    ]
    return BirdList((*hatched, *facts), len(seen), tuple(wrong))


def _rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    try:
        text = composed(path.read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        raise VoicelogError(f"{path}: is not in UTF-8; save it again as CSV UTF-8") from None
    except OSError as wrong:
        raise VoicelogError(f"{path}: {wrong.strerror}; give a CSV file") from None
    reader = csv.DictReader(io.StringIO(text, newline=""), strict=True, restkey="more", restval="")
    try:
        names = [name.strip().lower() for name in reader.fieldnames or ()]
        strange = [name for name in names if name not in COLUMNS]
        if strange or any(name not in names for name in NEEDED) or len(set(names)) < len(names):
            raise VoicelogError(
                f"{path}: its columns are {', '.join(names) or 'none'}; band is needed, and there may be "
                f"{', '.join(COLUMNS[1:])}, parted by commas"
            )
        reader.fieldnames = names
        return [(reader.line_num, row) for row in reader]
    except csv.Error as wrong:
        raise VoicelogError(f"{path}: line {reader.line_num}: is no CSV ({wrong}); save it again") from None


def _bird(
    row: dict[str, str], plans: Plans, known: frozenset[str], lots: dict[str, tuple[str, str]], on: date
) -> tuple[Banded, *tuple[Fact, ...]]:
    """The facts of one line. Takes note of its lot in `lots`, where it is a new one."""
    if "more" in row:
        raise VoicelogError("has more fields than the first line; quote a text that holds a comma")
    told = {name: value.strip() or None for name, value in row.items()}
    lot, variety, day = told.get("lot"), told.get("variety"), told.get("hatched")
    if lot is None and (variety or day):
        raise VoicelogError("has a variety or a day of hatching but no lot; name the lot")
    if day is not None and not _is_day(day, on):
        raise VoicelogError(f"hatched “{day}” is no day up to {on}; write it as 2026-05-01")
    banded = {"band": told["band"], "lot": lot, "pen": told.get("pen"), "on": on}
    slots = {name: told.get(name) for name in ("sex", "weight_g", "condition", "fate")}
    try:
        made = Banded.model_validate({**banded, "v": 1})
        call = Call.model_validate({"band": told["band"], **slots})
    except ValidationError as wrong:
        first = wrong.errors()[0]
        at = ".".join(map(str, first["loc"]))
        raise VoicelogError(f"{at} “{first['input']}”: {' '.join(first['msg'].split())}") from None
    if lot is not None and lot not in known:
        _note_lot(lots, lot, variety, day, plans)
    return (made, CallMade(call=call, on=on)) if call.said() else (made,)


def _note_lot(lots: dict[str, tuple[str, str]], lot: str, variety: str | None, day: str | None, plans: Plans) -> None:
    if lot in lots:
        if (variety or lots[lot][0], day or lots[lot][1]) != lots[lot]:
            raise VoicelogError(f"lot {lot} is {lots[lot][0]}, hatched {lots[lot][1]}, on a line before")
        return
    if variety is None or day is None:
        raise VoicelogError(f"lot {lot} is not in the book; give its variety and the day it hatched")
    plans.must_know(variety)
    lots[lot] = (variety, day)


def _is_day(text: str, latest: date) -> bool:
    try:
        return date(2000, 1, 1) <= date.fromisoformat(text) <= latest
    except ValueError:
        return False
