"""`voicelog session`."""

from __future__ import annotations

import signal
import sys
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import KIND, LEDGER, LOT, MODEL, PEN, ROSTER, TO, vocabulary, warn_before
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, dialogue_settings, ledger_path, noise_stage, open_sitting, settings_now

if TYPE_CHECKING:
    from voicelog.live import Screen
    from voicelog.session import Kind


@click.command()
@vocabulary
@ROSTER
@LEDGER
@MODEL
@KIND
@PEN
@LOT
@TO
@click.option("--microphone", "--device", help="The microphone, by number or a part of its name.")
@click.option("--speaker", help="The speaker or headset for the replies, by number or a part of its name.")
@click.option("--headset", is_flag=True, help="The microphone does not hear the replies: talk over them as you like.")
@click.option("--resume", is_flag=True, help="Go on with the last session, as after a power cut.")
@click.option("--plain", is_flag=True, help="Lines of text in place of the large screen.")
def session(
    roster: str | None,
    ledger: Path | None,
    model: Path | None,
    kind: Kind,
    pen: str | None,
    lot: str | None,
    to: str | None,
    microphone: str | None,
    speaker: str | None,
    headset: bool,
    resume: bool,
    plain: bool,
) -> None:
    """Listen to the microphone, and say back what was written.

    Space or a page-turner pedal pauses and goes on; q leaves the session, to go on with later.

    Example: voicelog session --pen 3 --headset
    """
    from voicelog.audio import find_voice
    from voicelog.beginning import begin
    from voicelog.grammar import parse_roster
    from voicelog.ledger import Ledger
    from voicelog.live import Conversation, DeviceSound, LiveSettings, Mouth, Reminders
    from voicelog.live.keys import terminal_keys
    from voicelog.resuming import go_on

    config = settings_now()
    if resume and (roster or pen or lot or to or kind != "check"):
        raise VoicelogError("--resume takes kind, pen and roster from the session that it goes on with: leave them out")
    with ExitStack() as stack:
        book = stack.enter_context(Ledger.open(ledger_path(config, ledger), must_exist=resume))
        plans = check_plans(config)
        if resume:
            beginning, last = go_on(book, plans, dialogue_settings(config))
            opening = beginning.opening
        else:
            bands = parse_roster(roster) if roster is not None else None
            beginning, last = begin(book, plans, kind, roster=bands, pen=pen, lot=lot, to=to), None
            opening = beginning.opening
        warn_before(book, beginning)
        # Microphone, voice and noise stage before the ledger: where one of them fails, no session begins.
        sound = stack.enter_context(
            closing(DeviceSound(microphone or config.microphone, speaker or config.speaker, _warn))
        )
        voice, stage = find_voice(config.voice, config.speed), noise_stage(config)
        sitting = open_sitting(config, model, beginning, book, resumed=last)
        mouth = Mouth(voice, _voice_cache(), config.speed, config.volume_db)
        mouth.warm_up(beginning.roster)
        screen = stack.enter_context(_screen(plain))
        keys = stack.enter_context(terminal_keys())
        settings = LiveSettings(
            headset=headset or config.headset,
            gain_db=config.gain_db,
            reminders=Reminders(config.reminders, config.silence_reminder_s),
        )
        conversation = Conversation(sitting, stage, mouth, sound, screen, settings)
        signal.signal(signal.SIGTERM, lambda *_: conversation.press("leave"))
        try:
            conversation.run(opening, keys)
        except KeyboardInterrupt:
            conversation.press("leave")


def _screen(plain: bool) -> Screen:
    from voicelog.live import LargeScreen, LineScreen

    if plain or not sys.stdout.isatty():
        return LineScreen(click.echo)
    return LargeScreen()


def _warn(text: str) -> None:
    click.echo(f"voicelog: {text}", err=True)


def _voice_cache() -> Path:
    from platformdirs import user_cache_path

    return user_cache_path("voicelog", appauthor=False) / "voice"
