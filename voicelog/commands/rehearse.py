"""`voicelog rehearse`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import MODEL, ROSTER
from voicelog.commands.written import written
from voicelog.values import Frames, VoicelogError
from voicelog.wiring import (
    noise_stage,
    open_grammars,
    own_pronunciations,
    plain_settings,
    profile_path,
    wants_second,
)

if TYPE_CHECKING:
    from voicelog.config import Config
    from voicelog.rehearse import Findings
    from voicelog.rehearse.prompts import Words

SOUNDS = (".wav", ".flac")


@click.command()
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="[FILE...]")
@click.option("--from", "source", type=click.Path(path_type=Path), help="A folder of recordings, or the first of them.")
@click.option("--prompts", "prompt_file", type=click.Path(path_type=Path), help="Your own prompts, one a line.")
@click.option("--list", "only_list", is_flag=True, help="Show the prompts and end.")
@click.option("--shown", is_flag=True, help="Show the prompts, do not read them out.")
@click.option("--save", is_flag=True, help="Keep what was found: sessions use it from then on.")
@written("--profile", help="Keep it in this file instead of beside the settings.")
@ROSTER
@MODEL
def rehearse(
    files: tuple[Path, ...],
    source: Path | None,
    prompt_file: Path | None,
    only_list: bool,
    shown: bool,
    save: bool,
    profile: Path | None,
    roster: str | None,
    model: Path | None,
) -> None:
    """Say prompts, and learn how well you are heard in this place.

    Listens live, or takes one WAV or FLAC file for each prompt, in order. Nothing is kept without --save.

    Example: voicelog rehearse --save
    """
    from rich.progress import Progress

    from voicelog.config import config_path
    from voicelog.grammar import parse_roster
    from voicelog.hearing import choose, open_recogniser
    from voicelog.rehearse import prompts_for, read_prompts, report
    from voicelog.rehearse import rehearse as run
    from voicelog.rehearse.thresholds import Thresholds

    config = plain_settings()
    bands = parse_roster(roster) if roster is not None else tuple(range(1, 300))
    grammars = open_grammars(config)
    grammar = grammars.compile("call", bands)
    prompts = read_prompts(prompt_file, grammar) if prompt_file is not None else prompts_for(grammar)
    if only_list:
        for prompt in prompts:
            click.echo(" ".join(prompt))
        return
    recordings = _recorded(files, source, prompts) if files or source else _live(config, prompts, shown)
    choice = choose(config.engine, model, config.vosk_model)
    own = own_pronunciations(choice.engine, grammars)
    with Progress(transient=True) as bar:
        rounds = 2 if choice.engine == "pocketsphinx" else 1
        task = bar.add_task("hearing", total=rounds * len(prompts))
        findings = run(
            prompts,
            recordings,
            noise_stage(config),
            lambda mllr: open_recogniser(choice, own, mllr, second=wants_second(config)),
            grammar,
            Thresholds(config.accept_from, config.ask_from),
            lambda: bar.advance(task),
        )
    for line in report(findings):
        click.echo(line)
    if save or profile is not None:
        path = profile or profile_path(config)
        _keep(path, findings, choice.engine)
        if path != profile_path(config):
            click.echo(f'to use it, put into {config_path()}: voice_profile = "{path.resolve().as_posix()}"')
        else:
            click.echo("sessions use it from now on")
    else:
        click.echo("nothing is kept; to use what was found, say it again with --save")


def _recorded(files: tuple[Path, ...], source: Path | None, prompts: tuple[Words, ...]) -> list[tuple[str, Frames]]:
    """The recordings by name; all are read before any is heard, so that a bad one ends it at once."""
    import numpy as np

    from voicelog.audio import read_sound

    paths = [source, *files] if source is not None else list(files)
    if len(paths) == 1 and paths[0].is_dir():
        paths = sorted(path for path in paths[0].iterdir() if path.suffix.lower() in SOUNDS)
    if len(paths) != len(prompts):
        raise VoicelogError(
            f"{len(paths)} recordings for {len(prompts)} prompts; give one WAV or FLAC file for each, in order "
            "(voicelog rehearse --list shows them)"
        )
    return [(str(path), np.concatenate(list(read_sound(path)))) for path in paths]


def _live(config: Config, prompts: tuple[Words, ...], shown: bool) -> list[tuple[str, Frames]]:
    from voicelog.audio import find_voice, open_speaker
    from voicelog.rehearse.live import Microphone, ask_for

    microphone = Microphone()
    speaker, why_silent = open_speaker()
    voice = None if shown else find_voice(config.voice)
    if why_silent and not shown:
        click.echo(f"voicelog: the prompts are only shown: {why_silent}", err=True)
    recordings = []
    try:
        for number, prompt in enumerate(prompts, 1):
            click.echo(f"{number} of {len(prompts)}: {' '.join(prompt)}")
            recordings.append((f"prompt {number}", ask_for(prompt, microphone, voice, speaker)))
    finally:
        speaker.close()
    return recordings


def _keep(path: Path, findings: Findings, engine: str) -> None:
    from voicelog.rehearse import VoiceProfile, save_profile
    from voicelog.rehearse.report import count_right

    profile = VoiceProfile(
        made=date.today(),
        engine=engine,
        prompts=len(findings.results),
        right=count_right(findings.best),
        accept_from=findings.chosen.accept_from,
        ask_from=findings.chosen.ask_from,
        gain_db=findings.levels.gain_db,
        speech_dbfs=round(findings.levels.speech, 1),
        noise_dbfs=round(findings.levels.noise, 1),
    )
    before = save_profile(path, profile, findings.trial.transform if findings.trial and findings.kept else None)
    click.echo(f"saved: {path}{f', in place of that of {before.made}' if before else ''}")
