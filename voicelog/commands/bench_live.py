"""`voicelog bench soak`, `voicelog bench kills` and `voicelog bench live`: the live session, measured."""

from __future__ import annotations

import json
import random
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from voicelog.commands.progress import progress
from voicelog.commands.written import written
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, dialogue_settings, noise_stage, open_sitting, plain_settings, settings_now

if TYPE_CHECKING:
    from voicelog.bench.kills import Kill
    from voicelog.bench.soak import Compared, Round
    from voicelog.ledger import Ledger
    from voicelog.sitting import Sitting


def _can_be_written(context: click.Context, option: click.Parameter, path: Path | None) -> Path | None:
    """Before hours of work, not after."""
    if path is not None and not path.parent.is_dir():
        raise VoicelogError(f"{path.parent}: no such folder; make it first, or name another place")
    return path


JSON = written("--json", "json_file", callback=_can_be_written, help="Write every figure here.")


@click.command()
@click.option("--minutes", type=click.FloatRange(0.1), default=120.0, show_default=True, help="Of sound.")
@JSON
def soak(minutes: float, json_file: Path | None) -> None:
    """Live sessions for hours of recorded sound, faster than they would last: is memory flat, is anything missed?

    The recorded session over and over, as one stream with a clock of its own, through the loop that a
    microphone feeds. Two hours take about half an hour of one processor.

    Example: voicelog bench soak --minutes 120 --json soak.json
    """
    from voicelog.audio import find_voice
    from voicelog.bench import soak as of_sound
    from voicelog.ledger import Ledger
    from voicelog.live import Mouth
    from voicelog.recorded import recorded_session

    config, recorded = settings_now(), recorded_session()
    rounds: list[dict[str, Any]] = []
    with (
        tempfile.TemporaryDirectory(prefix="voicelog-soak-") as folder,
        Ledger.open(Path(folder) / "soak.ledger") as book,
        progress() as bar,
    ):
        shown = bar.add_task("minutes of sound", total=round(minutes))

        def tell(one: Round) -> None:
            rounds.append(asdict(one))
            bar.console.print(_line(one), markup=False, highlight=False, soft_wrap=True)

        sitting = open_sitting(config, None, recorded.beginning, book, weights=recorded.weights)
        mouth = Mouth(find_voice(config.voice, config.speed), Path(folder) / "voice", config.speed)
        mouth.warm_up(recorded.beginning.roster)
        found = of_sound.soak(
            recorded, sitting, book, noise_stage(config), mouth, minutes, tell,
            lambda sound_s: bar.update(shown, completed=int(sound_s / 60)),
        )  # fmt: skip
    click.echo(
        f"{found.sound_s / 60:.0f} minutes of sound, {found.sessions} sessions in {found.wall_s / 60:.0f} minutes "
        f"({found.cpu_s / 60:.0f} of one processor)\n"
        f"  memory      {found.memory_first_quarter_mb:.0f} MB in the first quarter, "
        f"{found.memory_last_quarter_mb:.0f} in the last, {found.memory_most_mb:.0f} at the most\n"
        f"  utterances  {found.utterances}, {found.utterances_a_session[0]} to {found.utterances_a_session[1]} "
        f"a session\n"
        f"  facts       {found.right} right of {found.expected}, {found.wrong} wrong; "
        f"faults of the ledger: {found.faults_of_the_ledger}\n"
        f"  taken after {found.delay_first_quarter_s:.2f} s in the first quarter, "
        f"{found.delay_last_quarter_s:.2f} s in the last, by the clock of the sound"
    )
    write_json(json_file, {"whole": asdict(found), "sessions": rounds})


@click.command()
@click.option("--times", type=click.IntRange(1), default=200, show_default=True)
@click.option("--by-sound", type=click.FloatRange(0, 1), default=0.25, show_default=True,
              help="Which part of them is killed hearing sound; the others reading typed words.")  # fmt: skip
@click.option("--seed", type=int, default=1, show_default=True)
@JSON
def kills(times: int, by_sound: float, seed: int, json_file: Path | None) -> None:
    """Kill sessions at random moments, and see what is left: all that was read back must be, and --resume must know.

    By sound, the recorded session is killed and gone on with again and again until it is finished; typed,
    each ledger is killed once.

    Example: voicelog bench kills --times 200 --json kills.json
    """
    from voicelog.beginning import begin
    from voicelog.bench.kills import Killing, kill_by_sound, kill_typed
    from voicelog.recorded import recorded_session

    config, recorded = plain_settings(), recorded_session()
    plans, roster = check_plans(config), recorded.beginning.roster
    sound = round(times * by_sound)
    with tempfile.TemporaryDirectory(prefix="voicelog-kills-") as folder, progress() as bar:
        shown = bar.add_task("kills", total=times)
        chance = random.Random(seed)
        killing = Killing(recorded, dialogue_settings(config), plans, Path(folder), chance)

        def tell(kill: Kill) -> None:
            bar.advance(shown)
            for wrong in kill.wrong:
                bar.console.print(f"{kill.way}, after {kill.replies} replies: {wrong}", markup=False, highlight=False)

        def sitting(book: Ledger) -> Sitting:
            beginning = begin(book, plans, roster=roster, pen=recorded.beginning.purpose.pen)
            return open_sitting(config, None, beginning, book, listens=False)

        if times - sound:
            kill_typed(killing, sitting, times - sound, tell)
        if sound:
            kill_by_sound(killing, sound, tell)
    figures = killing.figures()
    for way, found in figures["ways"].items():
        click.echo(
            f"{way}: {found['kills']} kills, {found['facts_read_back']} facts read back before them; "
            f"{found['between_writing_and_reading_back']} fell between writing and reading back; "
            f"{found['sessions_brought_to_the_end']} sessions brought to their end; "
            f"something wrong after {found['with_something_wrong']}"
        )
    write_json(json_file, {"times": times, "seed": seed, **figures})


@click.command()
@click.option("--utterances", type=click.IntRange(1), default=50, show_default=True, help="Of the recorded session.")
@click.option("--recordings", is_flag=True, help="Without a sound server, even where there is one.")
@click.option(
    "--leak",
    "leak_db",
    type=click.FloatRange(-60, 0),
    metavar="DB",
    help="How loud the microphone hears the replies, -10 for instance; then they are not timed.",
)
@JSON
def live(utterances: int, recordings: bool, leak_db: float | None, json_file: Path | None) -> None:
    """Time from the end of speech to the first sample of the reply, and where it goes; and what was written.

    Over a sound server of its own (PulseAudio) where the programs for it are there: then it takes as long as
    the session lasts. Otherwise over recordings, without the devices.

    Example: voicelog bench live --json live.json
    """
    from voicelog.audio import find_voice
    from voicelog.bench.reply_time import by_recordings, by_server, figures, load
    from voicelog.bench.sound_server import missing, sound_server
    from voicelog.ledger import Ledger
    from voicelog.live import Mouth
    from voicelog.recorded import recorded_session

    config, recorded = plain_settings(), recorded_session()
    why = "as asked" if recordings else missing()
    if leak_db is not None and why is not None:
        raise VoicelogError(f"replies leak only into the microphone of a sound server ({why}); leave --leak out")
    kept: Compared | None = None
    with tempfile.TemporaryDirectory(prefix="voicelog-live-") as name, progress() as bar:
        folder = Path(name)
        shown = bar.add_task("utterances", total=min(utterances, len(recorded.said())))
        if why is None:
            with sound_server(folder) as server:
                times, kept = by_server(recorded, server, folder, utterances, lambda: bar.advance(shown), leak_db)
        else:
            with Ledger.open(folder / "live.ledger") as book:
                sitting = open_sitting(config, None, recorded.beginning, book, weights=recorded.weights)
                mouth = Mouth(find_voice(config.voice), folder / "voice")
                mouth.warm_up(recorded.beginning.roster)
                stage = noise_stage(config)
                times = by_recordings(recorded, sitting, stage, mouth, utterances, lambda: bar.advance(shown))
    if kept is not None:
        click.echo(f"the ledger: {kept.right} of {kept.expected} facts right, {kept.wrong} wrong")
    if leak_db is not None:
        write_json(json_file, {"leak_db": leak_db, "ledger": asdict(kept) if kept else None})
        return
    found = figures(times)
    method = "over a sound server" if why is None else f"over recordings, without devices ({why})"
    click.echo(f"{len(times)} replies {method}; {load()} processes wanted each processor. Milliseconds, p50 and p95:")
    for part, share in found.items():
        click.echo(f"  {part.replace('_', ' '):<14} {share['p50']:7.0f} {share['p95']:7.0f}")
    every = [asdict(one) for one in times]
    ledger = None if kept is None else asdict(kept)
    write_json(json_file, {"method": method, "load": load(), "figures_ms": found, "replies": every, "ledger": ledger})


def _line(one: Round) -> str:
    missed = "".join(f"\n    missed: {words}" for words in one.missed)
    return (
        f"{one.until_s / 60:6.1f} min  {one.memory_mb:6.1f} MB  {one.utterances} utterances  "
        f"{one.right} of {one.expected} right, {one.wrong} wrong  {one.wall_s:.0f} s{missed}"
    )


def write_json(path: Path | None, figures: dict[str, Any]) -> None:
    if path is None:
        return
    try:
        path.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    except OSError as wrong:
        raise VoicelogError(f"{path}: {wrong.strerror}; name another file") from wrong
