"""`voicelog apply`."""

from __future__ import annotations

import json
from pathlib import Path

import click

from voicelog.commands.options import LEDGER, warn_of_clock
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, ledger_path, settings_now


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@LEDGER
def apply(file: Path, ledger: Path | None) -> None:
    """Enter many facts from a file, one JSON object a line: all of them, or none.

    A line has the fact's kind, its slots, and the day on which it happened:
    {"kind": "hatched", "lot": "A7", "variety": "white", "count": 51, "pen": "1", "on": "2026-05-01"}

    Example: voicelog apply spring.jsonl
    """
    from voicelog.bookkeeping import check_lots, checked, enter
    from voicelog.ledger import CHANGES_NOTHING, Contradiction, Ledger

    config = settings_now()
    plans = check_plans(config)
    facts, lines = [], []
    for number, line in enumerate(_lines(file), start=1):
        if not line.strip():
            continue
        try:
            slots = json.loads(line)
            if not isinstance(slots, dict):
                raise VoicelogError("is no JSON object; write one fact a line")
            made = checked(slots)
            if made.kind in CHANGES_NOTHING:
                raise VoicelogError(f"kind: {made.kind} is written by a session alone; leave the line out")
            if (variety := getattr(made, "variety", None)) is not None:
                plans.must_know(variety)
            facts.append(made)
        except VoicelogError as wrong:
            raise VoicelogError(f"{file}: line {number}: {wrong}") from None
        except (ValueError, RecursionError) as wrong:
            raise VoicelogError(f"{file}: line {number}: is no JSON ({wrong}); mend it") from None
        lines.append(number)
    if not facts:
        raise VoicelogError(f"{file}: holds no fact; write one JSON object a line")
    with Ledger.open(ledger_path(config, ledger)) as book:
        warn_of_clock(book)
        check_lots(book, facts, lambda place: f"{file}: line {lines[place]}: ")
        try:
            enter(book, facts)
        except Contradiction as wrong:
            place = wrong.places[0]
            where = "" if place is None else f"line {lines[place - 1]}: "
            raise VoicelogError(f"{file}: {where}{wrong}") from None
    click.echo(f"{len(facts)} facts entered")


def _lines(file: Path) -> list[str]:
    try:
        return file.read_text(encoding="utf-8-sig").split("\n")
    except (OSError, UnicodeDecodeError) as wrong:
        raise VoicelogError(f"{file}: cannot be read ({wrong}); give a text file in UTF-8") from None
