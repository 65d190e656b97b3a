"""`voicelog demo`."""

from __future__ import annotations

import tempfile
import tomllib
from contextlib import ExitStack
from pathlib import Path

import click

from voicelog.commands.options import ALOUD, MODEL, WAV
from voicelog.values import Call
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
    from voicelog.beginning import Beginning
    from voicelog.ledger import CallMade, Draft, Ledger, SessionFinished, SessionStarted, new_id
    from voicelog.places import shipped
    from voicelog.replay import session_lines
    from voicelog.session import Known, Purpose

    config = settings_now()
    yard = tomllib.loads(shipped("audio_fixtures", "session.toml").read_text(encoding="utf-8"))
    known = {bird["band"]: Known(bird["sex"], f"at {yard['earlier_check']}") for bird in yard["earlier"]}
    weights = (float(yard["expected_weight_g"]["low"]), float(yard["expected_weight_g"]["high"]))
    with ExitStack() as stack:
        if ledger is None:
            ledger = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="voicelog-demo-"))) / "demo.ledger"
        book = stack.enter_context(Ledger.open(ledger))
        if book.last_session() is None:
            earlier = new_id()
            facts = [
                SessionStarted(roster=tuple(known), pen=yard["pen"]),
                *(CallMade(call=Call(band=band, sex=bird.sex)) for band, bird in known.items()),
                SessionFinished(seen=len(known)),
            ]
            for fact in facts:
                book.append(Draft(id=new_id(), session=earlier, fact=fact))
        click.echo(f"{yard['yard']}, pen {yard['pen']}: {yard['check']}, {len(yard['roster'])} birds.\n{CAUTIONS}\n")
        beginning = Beginning(Purpose(pen=yard["pen"]), tuple(yard["roster"]), known)
        sitting = open_sitting(config, model, beginning, book, weights=weights)
        say = stack.enter_context(mouth(config, aloud, wav))
        for line in session_lines(sitting, [shipped("audio_fixtures", "session.flac")], noise_stage(config)):
            show_line(line)
            say(line.taken, line.start_s + line.taken.audio_s)
        click.echo("")
        show_summary(book, None)
