"""`voicelog bench`."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast, get_args

import click

from voicelog.commands.bench_ledger import ledger
from voicelog.commands.bench_live import kills, live, soak
from voicelog.commands.progress import progress
from voicelog.commands.written import written
from voicelog.values import VoicelogError
from voicelog.wiring import settings_now

if TYPE_CHECKING:
    from voicelog.bench import Cache
    from voicelog.config import Config

PATH = click.Path(path_type=Path)


@click.group()
def bench() -> None:
    """Measure voicelog on this machine.

    Example: voicelog bench hearing --calls 2
    """


bench.add_command(ledger)
bench.add_command(soak)
bench.add_command(kills)
bench.add_command(live)


@bench.command()
@click.option("--set", "which", type=click.Choice(["fit", "held-out", "all"]), default="held-out", show_default=True,
              help="Voices and noises: those that fits may hear, those that none may, or both.")  # fmt: skip
@click.option("--voices", help="These voices, with commas between.")
@click.option("--noises", help="These noises, with commas between.")
@click.option("--snr", default="clean,20,15,10,5", show_default=True, help="Speech over noise, dB.")
@click.option("--rosters", default="pen,all", show_default=True, help="Live bands: 40 of them, or 1 to 299.")
@click.option("--rooms", default="none", show_default=True, help="Echo: none, near, far.")
@click.option("--systems", default="ours", show_default=True, help="What is tested: ours, alone, plain, open.")
@click.option("--calls", type=click.IntRange(1), default=5, show_default=True, help="Calls a cell.")
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--noise", help="Noise suppression, in place of the setting: deepfilter, webrtc, rnnoise, none.")
@click.option("--workers", type=click.IntRange(1, 64), default=1, show_default=True, help="Processes that listen.")
@click.option("--out-of-grammar", is_flag=True, help="Ten minutes of talk and ten of noise instead of calls.")
@click.option("--cache", "folder", type=PATH, help="Where rendered sound is kept.")
@click.option("--results", type=PATH, help="Finished trials; a rerun goes on from there. By default in the cache.")
@written("--json", "json_file", help="Write every figure here.")
@written("--picture", help="Write a heat map here, as PNG.")
@written("--reliability", "diagram", help="Write the reliability diagram here, as PNG.")
def hearing(
    which: Literal["fit", "held-out", "all"],
    voices: str | None,
    noises: str | None,
    snr: str,
    rosters: str,
    rooms: str,
    systems: str,
    calls: int,
    seed: int,
    noise: str | None,
    workers: int,
    out_of_grammar: bool,
    folder: Path | None,
    results: Path | None,
    json_file: Path | None,
    picture: Path | None,
    diagram: Path | None,
) -> None:
    """Random calls by many voices in many noises: how many are right, asked about, silently wrong.

    Example: voicelog bench hearing --systems ours,plain --calls 10 --json figures.json --picture map.png
    """
    from voicelog.bench import Cache, Roster, default_cache, voice_named, voices_of
    from voicelog.bench.extra import need, scipy_part
    from voicelog.bench.noises import noise_named, noises_of
    from voicelog.bench.room import Room
    from voicelog.bench.systems import SYSTEMS

    scipy_part("stats")
    if picture or diagram:
        need("matplotlib.figure", "matplotlib")
    config = settings_now()
    if noise is not None:
        config = type(config).model_validate({**config.model_dump(), "noise": _one_of(noise, _STAGES, "noise stage")})
    chosen = [voice_named(name) for name in _names(voices)] if voices else voices_of(which)
    around = [noise_named(name) for name in _names(noises)] if noises else noises_of(which)
    ratios = [_ratio(name) for name in _names(snr)]
    grid = {
        "voices": _at_hand(chosen, "voice"),
        "noises": _at_hand(around, "noise") if any(ratio is not None for ratio in ratios) else [],
        "ratios_db": ratios,
        "rosters": [_one_of(name, get_args(Roster), "roster") for name in _names(rosters)],
        "rooms": [_one_of(name, get_args(Room), "room") for name in _names(rooms)],
        "calls": calls,
        "seed": seed,
    }
    tested = [_one_of(name, tuple(SYSTEMS), "system") for name in _names(systems)]
    cache = Cache(folder or default_cache())
    cache.check()
    for path in (json_file, picture, diagram):
        if path is not None and not path.parent.is_dir():
            raise VoicelogError(f"{path.parent}: no such folder; make it first, or name another place")
    told = {"noise stage": config.noise, "engine": config.engine, **grid}
    if out_of_grammar:
        _outside(grid, config, cache, told, json_file)
    else:
        _calls(tested, grid, config, cache, results, workers, told, (json_file, picture, diagram))


def _calls(
    systems: list[str],
    options: dict[str, Any],
    config: Config,
    cache: Cache,
    results: Path | None,
    workers: int,
    told: dict[str, Any],
    files: tuple[Path | None, Path | None, Path | None],
) -> None:
    from voicelog.bench import grid
    from voicelog.bench.picture import heat_map, reliability_diagram
    from voicelog.bench.result import ResultsFile
    from voicelog.bench.run import made_with, run
    from voicelog.bench.table import as_json, table

    voices, noises = options.pop("voices"), options.pop("noises")
    tasks = [(system, trial) for trial in grid(voices, noises, cache, **options) for system in systems]
    stamp = made_with(config)
    with (
        ResultsFile(results or cache.folder / "results" / f"{stamp}.jsonl", stamp) as kept,
        progress() as bar,
    ):
        wanted = {(system, trial.key) for system, trial in tasks}
        at_hand = sum((result.system, result.key) in wanted for result in kept)
        shown = bar.add_task("listening", total=len(tasks), completed=at_hand)
        for _ in run(tasks, config, kept, workers):
            bar.advance(shown)
        found = {(result.system, result.key): result for result in kept}
    made = [found[system, trial.key] for system, trial in tasks]
    for line in table(made):
        click.echo(line)
    json_file, picture, diagram = files
    if json_file is not None:
        _write(json_file, as_json(made, {**told, "systems": systems, "made_with": stamp}))
    if picture is not None:
        heat_map(made, picture)
    if diagram is not None:
        reliability_diagram(made, diagram)


MINUTES = 10.0
"""Of talk, and of noise, that are no call."""


def _outside(options: dict[str, Any], config: Config, cache: Cache, told: dict[str, Any], file: Path | None) -> None:
    from voicelog.bench.outside import listen_outside, noise_streams, outside_table, speech_streams

    heard = []
    with progress() as bar:
        shown = bar.add_task("rendering", total=None)
        streams = [
            *speech_streams(options["voices"], cache, MINUTES, options["seed"]),
            *noise_streams(options["noises"], cache, MINUTES),
        ]
        bar.update(shown, description="listening", total=len(streams), completed=0)
        for stream in streams:
            heard.append(listen_outside(stream, config, options["seed"]))
            bar.advance(shown)
    for line in outside_table(heard):
        click.echo(line)
    if file is not None:
        _write(file, {"run": told, "streams": [one.model_dump() for one in heard]})


_STAGES = ("deepfilter", "webrtc", "rnnoise", "none")


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _one_of(name: str, known: Sequence[str], kind: str) -> str:
    if name not in known:
        raise VoicelogError(f"no {kind} is called {name}: choose of {', '.join(known)}")
    return name


def _ratio(name: str) -> float | None:
    if name == "clean":
        return None
    try:
        ratio = float(name)
    except ValueError:
        ratio = float("nan")
    if not -20 <= ratio <= 60:
        raise VoicelogError(f"speech over noise {name}: give clean, or decibels from -20 to 60")
    return ratio


def _at_hand(chosen: Sequence[Any], kind: str) -> list[str]:
    """The names of those that can be had here; the others are told. Raises VoicelogError where none is left."""
    missing = [why for one in chosen if (why := one.missing())]
    for why in missing:
        click.echo(f"voicelog: left out: {why}", err=True)
    if len(missing) == len(chosen):
        raise VoicelogError(f"no {kind} that was asked for can be had here: install one, or name another")
    return [cast(str, one.name) for one in chosen if not one.missing()]


def _write(path: Path, figures: dict[str, Any]) -> None:
    try:
        path.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    except OSError as wrong:
        raise VoicelogError(f"{path}: {wrong.strerror}; name another file") from wrong
