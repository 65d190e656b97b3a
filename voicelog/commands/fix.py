"""`voicelog fix` and `voicelog undo`: what is written stays; another event stands in its place."""

from __future__ import annotations

import re
from datetime import date, time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.bookkeeping import parse_day
from voicelog.commands.options import LEDGER, vocabulary, warn_of_clock
from voicelog.values import VoicelogError
from voicelog.wiring import ledger_path, open_grammars, settings_now

if TYPE_CHECKING:
    from voicelog.ledger import Ledger


def parse_time(text: str) -> str:
    """A day, or a day and a minute, as it is typed, in ISO form. Raises VoicelogError for what is neither."""
    form = re.fullmatch(r"(\d{4}-\d\d-\d\d|today|yesterday)(?:[T ](\d\d:\d\d))?", text.strip(), re.ASCII)
    if form is None:
        raise VoicelogError(
            f"“{text}” is no time of a call; write its day or its minute, such as 2026-05-31 or 2026-05-31T09:12"
        )
    day = parse_day(form[1]).isoformat()
    if form[2] is None:
        return day
    try:
        return f"{day}T{time.fromisoformat(form[2]):%H:%M}"
    except ValueError:
        raise VoicelogError(f"“{form[2]}” is no time of the day; write it as in {day}T09:12") from None


REASON = click.option("--reason", required=True, help="Why, in your own words; it is kept.")


@click.command()
@vocabulary
@click.argument("call")
@click.option(
    "--at",
    callback=lambda _ctx, _param, text: None if text is None else parse_time(text),
    help="With a band: the time of the call, such as 2026-05-31T09:12 (local), or only its day.",
)
@click.option("--say", required=True, help="What should have been said, as in a session; what is left out stays.")
@REASON
@LEDGER
def fix(call: str, at: str | None, say: str, reason: str, ledger: Path | None) -> None:
    """Correct a call afterwards, by its id, or by its band and time.

    Example: voicelog fix 42 --at 2026-05-31 --say "female foam no" --reason "misheard"
    """
    from voicelog.bookkeeping import enter, well_formed
    from voicelog.grammar import CallSaid, NotUnderstood, read_typed
    from voicelog.ledger import Ledger

    config = settings_now()
    grammars = open_grammars(config)
    typed = read_typed(say, grammars.compile("call"), grammars)
    said = typed.utterance
    if not isinstance(said, CallSaid):
        why = f" ({said.why})" if isinstance(said, NotUnderstood) else ""
        raise VoicelogError(f"“{say}” is no call{why}; say it as in a session, such as: female foam no")
    if typed.doubts:
        raise VoicelogError(f"“{say}” is no call ({'; '.join(typed.doubts)}?); spell it as the grammar has it")
    with Ledger.open(ledger_path(config, ledger), must_exist=True) as book:
        warn_of_clock(book)
        target = _find(book, call, at)
        wrong, day = book.call(target)
        right = said.call.over(wrong)
        if right.band != wrong.band:
            _must_be_worn(book, right.band, day, target)
        made = {"kind": "call", "call": right, "supersedes": target, "reason": reason, "on": day}
        (event,) = enter(book, [well_formed(made)])
        shown = ", ".join(f"{name} {value}" for name, value in right.said().items())
    click.echo(f"band {right.band}: {shown}; undo it with: voicelog undo {event.id} --reason …")


@click.command()
@click.argument("event")
@REASON
@LEDGER
def undo(event: str, reason: str, ledger: Path | None) -> None:
    """Take back one event, of any kind, by its id; also a fix, or an undo.

    Example: voicelog undo 0190c0de-7abc-7def-8000-0123456789ab --reason "wrong bird"
    """
    from voicelog.bookkeeping import enter, fact
    from voicelog.ledger import Ledger

    with Ledger.open(ledger_path(settings_now(), ledger), must_exist=True) as book:
        warn_of_clock(book)
        (kept,) = enter(book, [fact("retracted", target=event, reason=reason)])
    click.echo(f"taken back; undo that with: voicelog undo {kept.id} --reason …")


def _find(book: Ledger, call: str, at: str | None) -> str:
    """The id of the one call that is meant."""
    if not call.isdecimal():
        return call
    found = book.calls_of(int(call), "" if at is None else at)
    if len(found) == 1:
        return found[0][0]
    if not found:
        raise VoicelogError(f"band {call}: no call in effect at {at or 'any time'}; see voicelog bird {call}")
    times = ", ".join(when for _, when in found[-5:])
    raise VoicelogError(f"band {call} was called {len(found)} times ({times}); name one with --at, or give its id")


def _must_be_worn(book: Ledger, band: int | None, day: date, target: str) -> None:
    """Raises VoicelogError where a band is nobody's on the day of the call that it is to be the band of.

    A band that was on the roster of the call's session is somebody's, though no bird was entered; a roster that
    nobody named tells nothing.
    """
    from voicelog.beginning import ANY_BAND
    from voicelog.flock import names_bird

    if band is None or names_bird(book, band, day):
        return
    roster = book.roster_at(target)
    if roster == ANY_BAND or band not in roster:
        raise VoicelogError(
            f"band {band}: no bird wore it on {day}; check the number, or enter the bird first with "
            f"voicelog band {band} --on {day}"
        )
