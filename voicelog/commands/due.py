"""`voicelog due`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path

import click

from voicelog.bookkeeping import parse_day
from voicelog.commands.options import LEDGER, warn_of_clock
from voicelog.commands.written import written
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, ledger_path, settings_now


@click.command()
@click.option("--on", "day", default="today", metavar="DAY", help="The day to ask about; today where none is named.")
@click.option("--days", type=click.IntRange(0, 400), default=7, show_default=True, help="How far to look ahead.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for every task.")
@written("--ical", help="Write the list into this iCalendar file too.")
@LEDGER
def due(day: str, days: int, as_json: bool, ical: Path | None, ledger: Path | None) -> None:
    """What is overdue, due today and coming: eggs, checks, males to move out, groups.

    Example: voicelog due --days 14 --ical yard.ics
    """
    from voicelog.flock import STATUSES, without_lot, without_plan, yard_now
    from voicelog.flock import due as due_tasks
    from voicelog.ledger import Ledger

    config = settings_now()
    on, plans = parse_day(day), check_plans(config)
    with Ledger.open(ledger_path(config, ledger), must_exist=True) as book:
        yard = yard_now(book)
        warn_of_clock(book)
        conflicts = len(book.conflicts())
    tasks = due_tasks(yard, plans, on, days)
    for lot in without_plan(yard, plans):
        click.echo(f"voicelog: lot {lot}: its variety has no check plan; add it to a varieties file", err=True)
    strangers = without_lot(yard)
    if conflicts:
        many = "" if conflicts == 1 else "s"
        click.echo(f"voicelog: {conflicts} conflict{many} in this ledger, see voicelog conflicts", err=True)
    if strangers:
        click.echo(f"voicelog: {_told(strangers)}", err=True)
    if ical is not None:
        from voicelog.report.calendar import calendar

        try:
            ical.write_bytes(calendar(tasks, datetime.now().astimezone()))
        except OSError as wrong:
            raise VoicelogError(f"{ical}: {wrong.strerror}; give a file in a folder that is there") from wrong
    if as_json:
        for task in tasks:
            click.echo(json.dumps(asdict(task), default=date.isoformat))
        return
    if not tasks:
        click.echo(f"nothing is due on {on} or in the {days} days after")
    for status in STATUSES:
        of_status = [task for task in tasks if task.status == status]
        if of_status:
            click.echo(f"{status}:")
        for task in of_status:
            where = f"lot {task.lot}" if task.pen is None else f"pen {task.pen}, lot {task.lot}"
            click.echo(f"  {task.due}  {where}: {task.what}: {task.reason}")


def _told(strangers: Mapping[str | None, int]) -> str:
    """That no check can be due for birds that belong to no lot, how many they are, and where."""
    total = sum(strangers.values())
    places = ", ".join(
        f"{count} in {'no pen that was named' if pen is None else f'pen {pen}'}"
        for pen, count in sorted(strangers.items(), key=str)
    )
    birds = "1 bird belongs" if total == 1 else f"{total} birds belong"
    return (
        f"{birds} to no lot of this ledger ({places}), so no check is due for them: give them one with "
        "voicelog band BANDS --lot LOT; where they were banded without a lot, undo that first"
    )
