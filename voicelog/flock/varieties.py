"""Varieties and their check plans: the shipped `varieties.toml` with the keeper's own file laid over it."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from voicelog.values import VoicelogError, composed

LONGEST_NAME = 40
"""Characters of a variety's name."""

Days = Annotated[int, Field(ge=0, le=400)]


class _Planned(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Check(_Planned):
    """One check of a plan; the words are explained in `varieties.toml`. Ages in days."""

    name: str
    method: Literal["breast", "vent"]
    age: Days
    tolerance: Days = 2
    again: Literal["all", "hens"] = "all"
    move_males: bool = True


class Plan(_Planned):
    """The checks in order of age, and the age at which groups are made up."""

    feather_sexable: bool
    groups_age: Days
    checks: Annotated[tuple[Check, ...], Field(min_length=1)]


class Eggs(_Planned):
    """Days after setting; `tolerance` days more and a task is overdue."""

    candle_day: Days
    stop_turning_day: Days
    hatch_day: Days
    tolerance: Days


class Plans(_Planned):
    eggs: Eggs
    plans: dict[str, Plan]
    varieties: dict[str, str]

    def of(self, variety: str) -> Plan | None:
        """The plan of a variety, None where it has none."""
        name = self.varieties.get(composed(variety))
        return None if name is None else self.plans[name]

    def must_know(self, variety: str) -> None:
        """Raises VoicelogError for a variety without a plan."""
        if composed(variety) not in self.varieties:
            known = ", ".join(sorted(self.varieties))
            raise VoicelogError(f"no variety “{variety}”; known are {known}; add yours to a varieties file")


def load_plans(shipped: Path, own: Path | None = None) -> Plans:
    """The plans of the shipped file, with those of the keeper's own laid over them.

    Raises VoicelogError for a file that is missing or wrong.
    """
    whole = _read(shipped)
    laid = _read(own) if own is not None else {}
    for table, values in laid.items():
        there = whole.setdefault(table, {})
        if not isinstance(values, dict) or not isinstance(there, dict):
            raise VoicelogError(f"{own}: {table} must be a table; see the shipped varieties.toml for its form")
        there.update(values)
    path = own or shipped
    try:
        plans = Plans.model_validate(whole)
    except ValidationError as wrong:
        first = wrong.errors()[0]
        name = ".".join(str(part) for part in first["loc"])
        raise VoicelogError(f"{path}: {name}: {first['msg']}; mend that line") from wrong
    for variety, plan in plans.varieties.items():
        if not (variety.isprintable() and variety.strip() == variety and 1 <= len(variety) <= LONGEST_NAME):
            # Shown with its escapes, for it may hold what a screen takes for a command.
            raise VoicelogError(
                f"{path}: variety {variety!r}: name it by 1 to {LONGEST_NAME} letters, signs and spaces"
            )
        if plan not in plans.plans:
            raise VoicelogError(f"{path}: variety “{variety}” names plan “{plan}”, which is not there; define it")
    for plan_name, plan_found in plans.plans.items():
        opens = [check.age - check.tolerance for check in plan_found.checks]
        if opens != sorted(set(opens)):
            raise VoicelogError(f"{path}: the checks of plan “{plan_name}” overlap or are out of order; sort them")
    return plans


def _read(path: Path) -> dict[str, Any]:
    text = ""
    try:
        text = composed(path.read_text(encoding="utf-8-sig"))
        return tomllib.loads(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as wrong:
        do = "mend it or name another"
        if _is_beyond_ascii(text, str(wrong)):
            do = 'a name with other letters than a to z stands in quotes, as in "weiß" = "vent"'
        raise VoicelogError(f"{path}: cannot be read as TOML ({wrong}); {do}") from wrong


def _is_beyond_ascii(text: str, wrong: str) -> bool:
    """Whether the line that the error names has such a letter, which TOML takes in a name only between quotes."""
    line = re.search(r"at line (\d+)", wrong)
    return line is not None and not text.split("\n")[int(line[1]) - 1].isascii()
