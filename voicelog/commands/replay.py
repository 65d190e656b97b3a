"""`voicelog replay`."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import ALOUD, KIND, LEDGER, LOT, MODEL, PEN, ROSTER, TO, WAV, vocabulary, warn_before
from voicelog.commands.progress import progress
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, dialogue_settings, mouth, noise_stage, open_sitting, settings_now, show_line

if TYPE_CHECKING:
    from voicelog.session import Kind


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for every utterance.")
@click.option("--each", is_flag=True, help="Every file is one utterance in a fresh session; nothing is kept.")
@vocabulary
@ROSTER
@LEDGER
@MODEL
@ALOUD
@WAV
@KIND
@PEN
@LOT
@TO
def replay(
    files: tuple[Path, ...],
    as_json: bool,
    each: bool,
    roster: str | None,
    ledger: Path | None,
    model: Path | None,
    aloud: bool,
    wav: Path | None,
    kind: Kind,
    pen: str | None,
    lot: str | None,
    to: str | None,
) -> None:
    """Hear recordings as if they were spoken now. Without --ledger nothing is kept.

    Example: voicelog replay --roster 1-40 --ledger yard.ledger morning.flac
    """
    from voicelog.audio import duration_s
    from voicelog.beginning import begin
    from voicelog.grammar import parse_roster
    from voicelog.ledger import Ledger
    from voicelog.replay import session_lines, single_line
    from voicelog.session import start

    if each and ledger is not None:
        raise VoicelogError("--each keeps nothing: leave it out for one session of all files, or leave out --ledger")
    config = settings_now()
    bands = parse_roster(roster) if roster is not None else None
    for file in files:
        # Before a session begins: a slip in a name is told at once, and leaves nothing in the ledger.
        duration_s(file)
    show = (lambda line: click.echo(line.as_json())) if as_json else show_line
    with ExitStack() as stack:
        book = stack.enter_context(Ledger.open(ledger)) if ledger is not None else None
        beginning = begin(book, check_plans(config), kind, roster=bands, pen=pen, lot=lot, to=to)
        stage = noise_stage(config)
        heard_any = False
        say = stack.enter_context(mouth(config, aloud, wav))
        if each:
            sitting = open_sitting(config, model, beginning, None)
            done = stack.enter_context(_position(len(files)))
            for file in files:
                sitting.state = start(beginning.roster, settings=dialogue_settings(config), purpose=beginning.purpose)
                line, speech = single_line(sitting, file, stage)
                heard_any |= speech
                show(line)
                say(line.taken, None)
                done(1)
        else:
            sitting = open_sitting(config, model, beginning, book)
            if book is not None:
                warn_before(book, beginning)
            if beginning.opening and not as_json:
                click.echo(beginning.opening)
            been = stack.enter_context(_position())
            for line in session_lines(sitting, list(files), stage, been=been):
                heard_any = True
                show(line)
                say(line.taken, line.start_s + line.taken.audio_s)
    if not heard_any:
        raise VoicelogError(
            f"no speech in {', '.join(map(str, files))}; check the microphone, or record closer to the mouth"
        )


@contextmanager
def _position(files: int | None = None) -> Iterator[Callable[[float], object]]:
    """How far it is: files of so many, else seconds of sound. Where the lines go elsewhere; else they tell."""
    from rich.progress import MofNCompleteColumn, TextColumn, TimeElapsedColumn

    told = TextColumn("{task.completed:.0f} s of sound") if files is None else MofNCompleteColumn()
    with progress(told, TimeElapsedColumn(), hidden=sys.stdout.isatty()) as bar:
        task = bar.add_task("heard", total=files)
        yield lambda more: bar.advance(task, more)
