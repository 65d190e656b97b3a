"""The command line: thin commands that wire the rooms together."""

from __future__ import annotations

import sys
import tempfile
import tomllib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from voicelog.values import Call, Verdict, VoicelogError

if TYPE_CHECKING:
    from voicelog.audio import Speaker, Voice
    from voicelog.config import Config
    from voicelog.replay import Line
    from voicelog.session import Known, Settings, State
    from voicelog.sitting import Sitting, Taken

CAUTIONS = (
    "Birds: never squeeze the body; support back and wings; stop if the bird pants or goes limp. "
    "People: gloves, wash, a mask in dust; droppings and foam can carry disease. "
    "Culling, medicines and moving birds: local law and a veterinarian decide, not this program."
)


class _Voicelog(click.Group):
    """Tells every wrong input in one line and ends with status 2."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except VoicelogError as wrong:
            click.echo(f"voicelog: {wrong}", err=True)
            ctx.exit(2)


@click.group(cls=_Voicelog, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="voicelog")
def main() -> None:
    """Speak calls over quail with both hands full; each is read back and kept.

    Example: voicelog demo
    """


_MODEL = click.option("--model", type=click.Path(path_type=Path), help="Folder of an English Vosk model.")
_LEDGER = click.option("--ledger", type=click.Path(path_type=Path), help="The ledger file; made where it is not there.")
_ROSTER = click.option("--roster", help="Bands of the pen: bands and ranges, such as 3,7,12-40.")
_ALOUD = click.option("--aloud", is_flag=True, help="Speak the replies through the speaker.")
_WAV = click.option("--wav", type=click.Path(path_type=Path), help="Write the spoken replies into this WAV file.")


@main.command()
@_ALOUD
@_WAV
@_MODEL
@click.option("--ledger", type=click.Path(path_type=Path), help="Keep the demo's ledger here.")
def demo(aloud: bool, wav: Path | None, model: Path | None, ledger: Path | None) -> None:
    """Hear a recorded session of a made-up yard, from sound to summary.

    Example: voicelog demo --wav replies.wav
    """
    from voicelog.ledger import CallMade, Draft, Ledger, SessionFinished, SessionStarted, new_id
    from voicelog.places import shipped
    from voicelog.replay import session_lines
    from voicelog.session import Known

    config = _config()
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
        sitting = _sitting(config, model, yard["roster"], known, book, weights=weights, pen=yard["pen"])
        say = stack.enter_context(_mouth(config, aloud, wav))
        for line in session_lines(sitting, [shipped("audio_fixtures", "session.flac")], _stage(config)):
            _show(line)
            say(line.taken, line.start_s + line.taken.audio_s)
        click.echo("")
        _summary(book, None)


@main.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for every utterance.")
@click.option("--each", is_flag=True, help="Every file is one utterance in a fresh session.")
@_ROSTER
@_LEDGER
@_MODEL
@_ALOUD
@_WAV
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

    config = _config()
    bands = parse_roster(roster) if roster is not None else tuple(range(1, 300))
    show = (lambda line: click.echo(line.as_json())) if as_json else _show
    with ExitStack() as stack:
        book = stack.enter_context(Ledger.open(ledger)) if ledger is not None else None
        known = _known(fold(book.events())) if book is not None and not each else {}
        stage = _stage(config)
        heard_any = False
        say = stack.enter_context(_mouth(config, aloud, wav))
        if each:
            sitting = _sitting(config, model, bands, {}, None)
            for file in files:
                sitting.state = start(bands, settings=_settings(config))
                line, speech = single_line(sitting, file, stage)
                heard_any |= speech
                show(line)
                say(line.taken, None)
        else:
            sitting = _sitting(config, model, bands, known, book, pen=pen)
            for line in session_lines(sitting, list(files), stage):
                heard_any = True
                show(line)
                say(line.taken, line.start_s + line.taken.audio_s)
    if not heard_any:
        raise VoicelogError(
            f"no speech in {', '.join(map(str, files))}; check the microphone, or record closer to the mouth"
        )


@main.command("type")
@_ROSTER
@_LEDGER
@_ALOUD
@_WAV
@click.option("--pen", help="The pen that the session is about.")
def type_calls(roster: str | None, ledger: Path | None, aloud: bool, wav: Path | None, pen: str | None) -> None:
    """Type calls instead of speaking them; one line is one utterance.

    Example: echo "band 42 male foam yes" | voicelog type --roster 1-60
    """
    from voicelog.grammar import parse_roster
    from voicelog.ledger import Ledger, fold

    config = _config()
    bands = parse_roster(roster) if roster is not None else tuple(range(1, 300))
    with ExitStack() as stack:
        book = stack.enter_context(Ledger.open(_ledger_path(config, ledger)))
        say = stack.enter_context(_mouth(config, aloud, wav))
        sitting = _sitting(config, None, bands, _known(fold(book.events())), book, listens=False, pen=pen)
        while sitting.state.mode != "finished":
            if sys.stdin.isatty():
                click.echo("> ", nl=False)
            text = sys.stdin.readline()
            if not text:
                break
            if text.strip():
                taken = sitting.type(text)
                click.echo(_tell(taken))
                say(taken, None)


@main.command()
@_LEDGER
@click.option("--session", help="The id of a session; the last one where none is named.")
def summary(ledger: Path | None, session: str | None) -> None:
    """Tell what a session did, from the ledger alone.

    Example: voicelog summary --ledger yard.ledger
    """
    from voicelog.ledger import Ledger

    with Ledger.open(_ledger_path(_config(), ledger), must_exist=True) as book:
        _summary(book, session)


@main.group(invoke_without_command=True)
@_MODEL
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

    config = _config()
    choice = choose(config.engine, model, config.vosk_model)
    settings = config_path()
    click.echo(f"engine:   {choice.engine} ({choice.reason})")
    click.echo(f"model:    {choice.model}")
    for wrong in passed_over():
        click.echo(f"          passed over: {wrong}")
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
    click.echo(f"ledger:   {config.ledger}")


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


def _config() -> Config:
    from voicelog.config import load_config

    return load_config()


def _ledger_path(config: Config, given: Path | None) -> Path:
    if given is not None:
        return given
    try:
        config.ledger.parent.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise VoicelogError(f"{config.ledger.parent}: {wrong.strerror}; name another place with --ledger") from wrong
    return config.ledger


def _settings(config: Config, weights: tuple[float, float] | None = None) -> Settings:
    from voicelog.session import Policy, Settings

    policy = Policy(config.accept_from, config.ask_from)
    if weights is None:
        return Settings(policy, config.readback)
    return Settings(policy, config.readback, weights)


def _known(book: Any) -> dict[int, Known]:
    from voicelog.flock import earlier_calls
    from voicelog.session import Known

    found = earlier_calls(book, datetime.now().astimezone())
    return {band: Known(sex, when) for band, (sex, when) in found.items()}


def _stage(config: Config) -> Any:
    from voicelog.audio import make_stage

    return make_stage(config.noise)


def _sitting(
    config: Config,
    model: Path | None,
    roster: Any,
    known: dict[int, Known],
    book: Any,
    *,
    weights: tuple[float, float] | None = None,
    listens: bool = True,
    pen: str | None = None,
) -> Sitting:
    from voicelog.grammar import Grammars
    from voicelog.hearing import choose, open_recogniser
    from voicelog.places import shipped
    from voicelog.session import start
    from voicelog.sitting import Sitting

    grammars = Grammars(config.grammars or shipped("grammars"))
    state: State = start(roster, known, _settings(config, weights))
    recogniser = open_recogniser(choose(config.engine, model, config.vosk_model)) if listens else None
    return Sitting(grammars, state, recogniser=recogniser, ledger=book, keep_sound=config.keep_sound, pen=pen)


@contextmanager
def _mouth(config: Config, aloud: bool, wav: Path | None) -> Iterator[Callable[[Taken, float | None], None]]:
    """Says the replies of an utterance: through the speaker, into a WAV file, or (text only) not at all."""
    from voicelog.audio import WavSpeaker, earcon, find_voice, open_speaker

    speakers: list[Speaker] = []
    if wav is not None:
        speakers.append(WavSpeaker(wav))
    if aloud:
        speaker, why_silent = open_speaker()
        speakers.append(speaker)
        if why_silent:
            click.echo(f"voicelog: replies are text only: {why_silent}", err=True)
    voice: Voice | None = find_voice(config.voice) if speakers else None

    def say(taken: Taken, at_s: float | None) -> None:
        if voice is None:
            return
        for reply in taken.outcome.replies:
            for speaker in speakers:
                if reply.earcon:
                    speaker.play(earcon(reply.earcon, voice.rate), voice.rate, at_s)
                    at_s = None
                if reply.text:
                    speaker.play(voice.say(reply.text), voice.rate, at_s)
                    at_s = None

    try:
        yield say
    finally:
        for speaker in speakers:
            speaker.close()


_MARKS = {Verdict.ACCEPT: "+", Verdict.ASK: "?", Verdict.REJECT: "-"}


def _tell(taken: Taken) -> str:
    mark = _MARKS[taken.outcome.verdict]
    why = "" if taken.outcome.verdict is Verdict.ACCEPT else f"  [{taken.outcome.reason}]"
    return f"{mark} {taken.reply or '(nothing said)'}{why}"


def _show(line: Line) -> None:
    minutes, seconds = divmod(line.start_s, 60)
    heard = line.taken.heard or "(no words)"
    click.echo(f"{int(minutes):02}:{seconds:04.1f}  heard: {heard}\n         {_tell(line.taken)}")


def _summary(book: Any, session: str | None) -> None:
    from voicelog.report import summarise, summary_lines

    chosen = session or book.last_session()
    if chosen is None:
        raise VoicelogError(f"{book.path}: no session yet; begin one with voicelog type or voicelog replay")
    for problem in book.verify():
        click.echo(f"voicelog: {book.path}: {problem}", err=True)
    for line in summary_lines(summarise(book.events(session=chosen))):
        click.echo(line)
