"""`voicelog demo`."""

from __future__ import annotations

import tempfile
from contextlib import ExitStack
from pathlib import Path

import click

from voicelog.commands.options import ALOUD, MODEL, WAV
from voicelog.wiring import CAUTIONS, mouth, noise_stage, open_sitting, settings_now, show_line, show_summary


@click.command()
@ALOUD
@WAV
@MODEL
@click.option("--ledger", type=click.Path(path_type=Path), help="Keep the demo's ledger here.")
def demo(aloud: bool, wav: Path | None, model: Path | None, ledger: Path | None) -> None:
    """Hear a recorded session of a made-up yard, from sound to summary.

    Example: voicelog demo --wav replies.wav
    """
    from voicelog.hearing import choose
    from voicelog.ledger import Ledger
    from voicelog.recorded import recorded_session
    from voicelog.replay import session_lines

    config = settings_now()
    # Before anything is written: a model that is not there, or a noise stage that is not installed.
    choose(config.engine, model, config.vosk_model)
    stage = noise_stage(config)
    recorded = recorded_session()
    beginning = recorded.beginning
    with ExitStack() as stack:
        if ledger is None:
            ledger = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="voicelog-demo-"))) / "demo.ledger"
        book = stack.enter_context(Ledger.open(ledger))
        recorded.write_earlier_check(book)
        pen, birds = beginning.purpose.pen, len(beginning.roster)
        click.echo(f"{recorded.yard}, pen {pen}: {recorded.check}, {birds} birds.\n{CAUTIONS}\n")
        sitting = open_sitting(config, model, beginning, book, weights=recorded.weights)
        say = stack.enter_context(mouth(config, aloud, wav))
        for line in session_lines(sitting, [recorded.file], stage):
            show_line(line)
            say(line.taken, line.start_s + line.taken.audio_s)
        click.echo("")
        show_summary(book, None)
