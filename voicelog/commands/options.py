"""Options that several commands share, so that they are spelled and explained alike."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from voicelog.bookkeeping import parse_day
from voicelog.commands.written import written
from voicelog.values import VoicelogError, composed
from voicelog.wiring import instead_of_setting

if TYPE_CHECKING:
    from voicelog.beginning import Beginning
    from voicelog.ledger import Ledger

MODEL = click.option("--model", type=click.Path(path_type=Path), help="Folder of an English Vosk model.")
LEDGER = click.option("--ledger", type=click.Path(path_type=Path), help="The ledger file; made where it is not there.")
ROSTER = click.option("--roster", help="Bands of the pen: bands and ranges, such as 3,7,12-40.")
ALOUD = click.option("--aloud", is_flag=True, help="Speak the replies through the speaker.")
WAV = written("--wav", help="Write the spoken replies into this WAV file.")

F = TypeVar("F", bound=Callable[..., object])


def vocabulary(command: F) -> F:
    """Adds --yard and --language; they stand in for the settings of the same name, and the command need not know."""
    yard = click.option(
        "--yard",
        type=click.Path(path_type=Path),
        expose_value=False,
        callback=instead_of_setting,
        help="Your own words: a yard file, such as grammars/yard-example.toml.",
    )
    language = click.option(
        "--language",
        expose_value=False,
        callback=instead_of_setting,
        help="The language of the calls: en, or a folder of grammars/ such as es.",
    )
    return yard(language(command))


ON = click.option(
    "--on", callback=lambda _ctx, _param, text: None if text is None else parse_day(text), metavar="DAY",
    help="The day on which it happened, such as 2026-05-31; today where none is named.",
)  # fmt: skip


def _pen(_context: click.Context, _option: click.Parameter, name: str | None) -> str | None:
    if name is not None and not 1 <= len(name) <= LONGEST_PEN_NAME:
        raise VoicelogError(f"pen “{name}”: the name of a pen has 1 to {LONGEST_PEN_NAME} characters; name it so")
    if name is not None and not _is_text(name):
        raise VoicelogError("the name of the pen has a broken character in it: give it again without it")
    return name


def _is_text(name: str) -> bool:
    """Whether it can be written down: bytes of a command line that are no UTF-8 come as half characters."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


LONGEST_PEN_NAME = 40
PEN = click.option("--pen", callback=_pen, help="The pen.")
LOT = click.option(
    "--lot", callback=lambda _ctx, _param, name: None if name is None else composed(name), help="The lot."
)
TO = click.option("--to", callback=_pen, help="For a move: the pen that the birds go to.")
KIND = click.option(
    "--kind", type=click.Choice(["check", "tally", "banding", "weighing", "roll call", "moving"]), default="check",
    show_default=True, help="What the session is for.",
)  # fmt: skip


def warn_before(ledger: Ledger, beginning: Beginning) -> None:
    """Tell on stderr what is odd about a session before it begins: the clock, and its pen."""
    warn_of_clock(ledger)
    for warning in beginning.warnings:
        click.echo(f"voicelog: {warning}", err=True)


def warn_of_clock(ledger: Ledger) -> None:
    """Tell on stderr where the clock stands before what is in the ledger."""
    from voicelog.beginning import clock_warning

    warning = clock_warning(ledger)
    if warning:
        click.echo(f"voicelog: {warning}", err=True)
