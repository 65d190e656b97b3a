"""`voicelog import`."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from voicelog.commands.options import LEDGER, ON, warn_of_clock
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, ledger_path, settings_now


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Only say what is wrong with which line; enter nothing.")
@ON
@LEDGER
def import_birds(file: Path, dry_run: bool, on: date | None, ledger: Path | None) -> None:
    """Enter a list of birds from a CSV file: band, and if you like lot, variety, hatched, pen, sex, weight_g,
    condition, fate. All of it, or nothing.

    Example: voicelog import birds.csv --dry-run
    """
    from voicelog.bookkeeping import check_day, enter
    from voicelog.flock.birdlist import read_bird_list
    from voicelog.ledger import Contradiction, Ledger

    check_day(on)
    config = settings_now()
    with Ledger.open(ledger_path(config, ledger)) as book:
        warn_of_clock(book)
        found = read_bird_list(file, check_plans(config), frozenset(book.lots().lots), on or date.today())
        if not found.facts and not found.wrong:
            raise VoicelogError(f"{file}: holds no bird; write one a line, below the names of the columns")
        wrong = list(found.wrong)
        try:
            enter(book, [fact for _, fact in found.facts], dry_run=dry_run or bool(wrong))
        except Contradiction as known:
            for place, conflict in zip(known.places, known.conflicts, strict=True):
                line = found.facts[place - 1][0] if place is not None else 1
                wrong.append((line, f"{conflict.about}: {conflict.says}"))
        if dry_run or wrong:
            book.close(keep_empty=False)
    for line, says in sorted(wrong):
        click.echo(f"{file}: line {line}: {says}")
    if wrong:
        raise VoicelogError(f"{file}: {len(wrong)} wrong lines, nothing was entered; mend them")
    click.echo(f"{file}: {found.birds} birds {'can be' if dry_run else 'were'} entered")
