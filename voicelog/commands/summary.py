"""`voicelog summary`."""

from __future__ import annotations

from pathlib import Path

import click

from voicelog.commands.options import LEDGER
from voicelog.wiring import ledger_path, settings_now, show_summary


@click.command()
@LEDGER
@click.option("--session", help="The id of a session; the last one where none is named.")
def summary(ledger: Path | None, session: str | None) -> None:
    """Tell what a session did, as its calls stand now, and what was changed since.

    Example: voicelog summary --ledger yard.ledger
    """
    from voicelog.ledger import Ledger

    with Ledger.open(ledger_path(settings_now(), ledger), must_exist=True) as book:
        show_summary(book, session)
