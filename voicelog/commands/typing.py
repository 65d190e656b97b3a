"""`voicelog type`."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path

import click

from voicelog.commands.options import ALOUD, LEDGER, ROSTER, WAV, vocabulary
from voicelog.wiring import known_birds, ledger_path, mouth, open_sitting, settings_now, tell


@click.command("type")
@vocabulary
@ROSTER
@LEDGER
@ALOUD
@WAV
@click.option("--pen", help="The pen that the session is about.")
def type_calls(roster: str | None, ledger: Path | None, aloud: bool, wav: Path | None, pen: str | None) -> None:
    """Type calls instead of speaking them; one line is one utterance.

    Example: echo "band 42 male foam yes" | voicelog type --roster 1-60
    """
    from voicelog.grammar import parse_roster
    from voicelog.ledger import Ledger, fold

    config = settings_now()
    bands = parse_roster(roster) if roster is not None else tuple(range(1, 300))
    with ExitStack() as stack:
        book = stack.enter_context(Ledger.open(ledger_path(config, ledger)))
        say = stack.enter_context(mouth(config, aloud, wav))
        sitting = open_sitting(config, None, bands, known_birds(fold(book.events())), book, listens=False, pen=pen)
        while sitting.state.mode != "finished":
            if sys.stdin.isatty():
                click.echo("> ", nl=False)
            text = sys.stdin.readline()
            if not text:
                break
            if text.strip():
                taken = sitting.type(text)
                click.echo(tell(taken))
                say(taken, None)
