"""`voicelog type`."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import ALOUD, KIND, LEDGER, LOT, PEN, ROSTER, TO, WAV, vocabulary, warn_before
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, ledger_path, mouth, open_sitting, settings_now, tell

if TYPE_CHECKING:
    from voicelog.session import Kind


@click.command("type")
@vocabulary
@ROSTER
@LEDGER
@ALOUD
@WAV
@KIND
@PEN
@LOT
@TO
def type_calls(
    roster: str | None, ledger: Path | None, aloud: bool, wav: Path | None, kind: Kind, pen: str | None,
    lot: str | None, to: str | None,
) -> None:  # fmt: skip
    """Type calls instead of speaking them; one line is one utterance.

    Example: echo "band 42 male foam yes" | voicelog type --roster 1-60
    """
    from voicelog.beginning import begin
    from voicelog.grammar import parse_roster
    from voicelog.ledger import Ledger

    if sys.stdin is None:  # closed by who started the program
        raise VoicelogError("there is no input to read calls from; type them, or let them come from a file or a pipe")
    config = settings_now()
    bands = parse_roster(roster) if roster is not None else None
    with ExitStack() as stack:
        book = stack.enter_context(Ledger.open(ledger_path(config, ledger)))
        say = stack.enter_context(mouth(config, aloud, wav))
        beginning = begin(book, check_plans(config), kind, roster=bands, pen=pen, lot=lot, to=to)
        sitting = open_sitting(config, None, beginning, book, listens=False)
        warn_before(book, beginning)
        if beginning.opening:
            click.echo(beginning.opening)
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
