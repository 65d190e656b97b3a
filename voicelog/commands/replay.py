"""`voicelog replay`."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from voicelog.commands.options import ALOUD, LEDGER, MODEL, ROSTER, WAV, vocabulary
from voicelog.values import VoicelogError
from voicelog.wiring import dialogue_settings, known_birds, mouth, noise_stage, open_sitting, settings_now, show_line


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for every utterance.")
@click.option("--each", is_flag=True, help="Every file is one utterance in a fresh session.")
@vocabulary
@ROSTER
@LEDGER
@MODEL
@ALOUD
@WAV
@click.option("--pen", help="The pen that the session is about.")
def replay(
    files: tuple[Path, ...],
    as_json: bool,
    each: bool,
    roster: str | None,
    ledger: Path | None,
    model: Path | None,
    aloud: bool,
    wav: Path | None,
    pen: str | None,
) -> None:
    """Hear recordings as if they were spoken now. Without --ledger nothing is kept.

    Example: voicelog replay --roster 1-40 --ledger yard.ledger morning.flac
    """
    from voicelog.grammar import parse_roster
    from voicelog.ledger import Ledger, fold
    from voicelog.replay import session_lines, single_line
    from voicelog.session import start

    config = settings_now()
    bands = parse_roster(roster) if roster is not None else tuple(range(1, 300))
    show = (lambda line: click.echo(line.as_json())) if as_json else show_line
    with ExitStack() as stack:
        book = stack.enter_context(Ledger.open(ledger)) if ledger is not None else None
        known = known_birds(fold(book.events())) if book is not None and not each else {}
        stage = noise_stage(config)
        heard_any = False
        say = stack.enter_context(mouth(config, aloud, wav))
        if each:
            sitting = open_sitting(config, model, bands, {}, None)
            for file in files:
                sitting.state = start(bands, settings=dialogue_settings(config))
                line, speech = single_line(sitting, file, stage)
                heard_any |= speech
                show(line)
                say(line.taken, None)
        else:
            sitting = open_sitting(config, model, bands, known, book, pen=pen)
            for line in session_lines(sitting, list(files), stage):
                heard_any = True
                show(line)
                say(line.taken, line.start_s + line.taken.audio_s)
    if not heard_any:
        raise VoicelogError(
            f"no speech in {', '.join(map(str, files))}; check the microphone, or record closer to the mouth"
        )
