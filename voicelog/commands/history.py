"""`voicelog bird`, `voicelog pen`, `voicelog lot`: everything known, in order."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import LEDGER
from voicelog.commands.written import written
from voicelog.values import SAMPLE_RATE, VoicelogError
from voicelog.wiring import ledger_path, settings_now

if TYPE_CHECKING:
    from voicelog.flock import History
    from voicelog.ledger import Ledger

WAV = written("--wav", help="Write the kept sounds of the calls into this WAV file, one after the other.")
PLAY = click.option("--play", is_flag=True, help="Play the sound of each call, in order.")


@click.command()
@click.argument("band", type=int)
@PLAY
@WAV
@LEDGER
def bird(band: int, play: bool, wav: Path | None, ledger: Path | None) -> None:
    """Everything known of a bird, by its band.

    Example: voicelog bird 42 --play
    """
    from voicelog.flock import bird_history

    with _open(ledger) as book:
        _show(book, bird_history(book, band), play, wav)


@click.command()
@click.argument("name")
@PLAY
@WAV
@LEDGER
def pen(name: str, play: bool, wav: Path | None, ledger: Path | None) -> None:
    """Everything that happened in a pen.

    Example: voicelog pen 3
    """
    from voicelog.flock import pen_history

    with _open(ledger) as book:
        _show(book, [pen_history(book, name)], play, wav)


@click.command()
@click.argument("name")
@PLAY
@WAV
@LEDGER
def lot(name: str, play: bool, wav: Path | None, ledger: Path | None) -> None:
    """Everything known of a lot, from its eggs on.

    Example: voicelog lot A7
    """
    from voicelog.flock import lot_history

    with _open(ledger) as book:
        _show(book, [lot_history(book, name)], play, wav)


def _open(ledger: Path | None) -> Ledger:
    from voicelog.ledger import Ledger

    return Ledger.open(ledger_path(settings_now(), ledger), must_exist=True)


def _show(book: Ledger, histories: Sequence[History], play: bool, wav: Path | None) -> None:
    for history in histories:
        click.echo(history.head)
        for entry in history.entries:
            said = f"  “{entry.words}”" if entry.words else ""
            fate = f"  [{entry.fate}]" if entry.fate else ""
            # Somebody's own words may hold a line break; an entry is one line.
            click.echo("  " + " ".join(f"{entry.day}  {entry.says}{said}{fate}  {entry.id}".splitlines()))
            for event_id in entry.sounds:
                click.echo(f"              sound: {book.sound_path(event_id)}")
    if play or wav:
        sounds = [book.sound_path(event_id) for history in histories for e in history.entries for event_id in e.sounds]
        _play(sounds, wav)


def _play(sounds: Sequence[Path], wav: Path | None) -> None:
    from voicelog.audio import WavSpeaker, open_speaker, read_sound

    if not sounds:
        raise VoicelogError("no sound was kept of any of these; sounds are kept where keep_sound is on")
    speaker, why_silent = (WavSpeaker(wav), None) if wav else open_speaker()
    if why_silent:
        raise VoicelogError(f"{why_silent}; write the sound to a file with --wav instead")
    with closing(speaker):
        for path in sounds:
            for frames in read_sound(path):
                speaker.play(frames, SAMPLE_RATE)
