"""`voicelog export`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from voicelog.commands.options import LEDGER
from voicelog.commands.written import written
from voicelog.wiring import ledger_path, settings_now

if TYPE_CHECKING:
    from voicelog.report.tables import What


@click.command()
@click.argument("what", type=click.Choice(["birds", "calls", "weights"]))
@written("file", argument=True)
@LEDGER
def export(what: str, file: Path, ledger: Path | None) -> None:
    """Write birds, calls or weights into a file: .csv, .jsonl (JSON Lines) or .parquet.

    Example: voicelog export birds birds.csv
    """
    from voicelog.ledger import Ledger
    from voicelog.report.tables import write

    with Ledger.open(ledger_path(settings_now(), ledger), must_exist=True) as book:
        count = write(book, cast("What", what), file)
    click.echo(f"{file}: {count} {what}")
