"""`voicelog merge`, `conflicts`, `backup`, `restore`."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import LEDGER
from voicelog.wiring import ledger_path, settings_now

if TYPE_CHECKING:
    from voicelog.ledger import Conflict


@click.command()
@click.argument("other", type=click.Path(path_type=Path))
@LEDGER
def merge(other: Path, ledger: Path | None) -> None:
    """Take all events of another ledger in: of another barn, or of a memory stick.

    Example: voicelog merge /media/stick/barn2.ledger
    """
    from voicelog.ledger import Ledger
    from voicelog.ledger.merge import merge as merge_ledgers
    from voicelog.ledger.merge import read_sound

    into = ledger_path(settings_now(), ledger)
    if not into.exists():
        read_sound(other)  # before a ledger is made into which nothing could come
    with Ledger.open(into) as book:
        done = merge_ledgers(book, other)
    click.echo(f"{done.events} events and {done.sounds} sounds came in")
    if done.forked:
        click.echo("both were copies of one ledger that had gone on apart; this one now writes under a new device id")
    _tell(done.conflicts)


@click.command()
@LEDGER
def conflicts(ledger: Path | None) -> None:
    """What cannot all be true, such as one bird in two pens; decide with undo or fix.

    Example: voicelog conflicts
    """
    from voicelog.ledger import Ledger

    with Ledger.open(ledger_path(settings_now(), ledger), must_exist=True) as book:
        found = book.conflicts()
    if not found:
        click.echo("no conflicts")
    _tell(found)


def _tell(found: Iterable[Conflict]) -> None:
    for conflict in found:
        against = f", against {conflict.other}" if conflict.other else ""
        click.echo(f"{conflict.about}: {conflict.says}")
        click.echo(f"  event {conflict.event}{against}; take one back with voicelog undo")


@click.command()
@click.argument("to", type=click.Path(path_type=Path))
@LEDGER
def backup(to: Path, ledger: Path | None) -> None:
    """Copy the ledger, also while a session is writing. Sounds are files beside it; copy them as files.

    Example: voicelog backup /media/stick/yard-2026-05-31.ledger
    """
    from voicelog.ledger import Ledger
    from voicelog.ledger.copies import backup as copy

    with Ledger.open(ledger_path(settings_now(), ledger), must_exist=True) as book:
        copy(book, to)
    click.echo(f"{to}: backup made")


@click.command()
@click.argument("source", type=click.Path(path_type=Path))
@LEDGER
def restore(source: Path, ledger: Path | None) -> None:
    """Make a ledger from a backup, at a place where there is none.

    Example: voicelog restore /media/stick/yard-2026-05-31.ledger --ledger yard.ledger
    """
    from voicelog.ledger.copies import restore as make

    to = ledger_path(settings_now(), ledger)
    make(source, to).close()
    click.echo(f"{to}: restored")
