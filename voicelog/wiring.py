"""What several commands need: settings, rooms wired into a sitting, a mouth for replies, lines on the screen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from voicelog.values import Verdict, VoicelogError

if TYPE_CHECKING:
    from voicelog.audio import Speaker, Voice
    from voicelog.beginning import Beginning
    from voicelog.config import Config
    from voicelog.flock.varieties import Plans
    from voicelog.replay import Line
    from voicelog.session import Settings, State
    from voicelog.sitting import Sitting, Taken

CAUTIONS = (
    "Birds: never squeeze the body; support back and wings; stop if the bird pants or goes limp. "
    "People: gloves, wash, a mask in dust; droppings and foam can carry disease. "
    "Culling, medicines and moving birds: local law and a veterinarian decide, not this program."
)


def settings_now() -> Config:
    from voicelog.config import load_config

    return load_config()


def check_plans(config: Config) -> Plans:
    """The varieties and their check plans: shipped, with the keeper's own laid over them."""
    from voicelog.flock.varieties import load_plans
    from voicelog.places import shipped

    return load_plans(shipped("grammars", "varieties.toml"), config.varieties)


def ledger_path(config: Config, given: Path | None) -> Path:
    if given is not None:
        return given
    try:
        config.ledger.parent.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise VoicelogError(f"{config.ledger.parent}: {wrong.strerror}; name another place with --ledger") from wrong
    return config.ledger


def dialogue_settings(config: Config, weights: tuple[float, float] | None = None) -> Settings:
    from voicelog.session import Policy, Settings

    policy = Policy(config.accept_from, config.ask_from)
    if weights is None:
        return Settings(policy, config.readback)
    return Settings(policy, config.readback, weights)


def noise_stage(config: Config) -> Any:
    from voicelog.audio import make_stage

    return make_stage(config.noise)


def open_sitting(
    config: Config,
    model: Path | None,
    beginning: Beginning,
    book: Any,
    *,
    weights: tuple[float, float] | None = None,
    listens: bool = True,
) -> Sitting:
    from voicelog.grammar import Grammars
    from voicelog.hearing import choose, open_recogniser
    from voicelog.places import shipped
    from voicelog.session import start
    from voicelog.sitting import Sitting

    grammars = Grammars(config.grammars or shipped("grammars"))
    settings = dialogue_settings(config, weights)
    state: State = start(beginning.roster, beginning.known, settings, beginning.purpose, beginning.gone)
    recogniser = open_recogniser(choose(config.engine, model, config.vosk_model)) if listens else None
    return Sitting(grammars, state, recogniser=recogniser, ledger=book, keep_sound=config.keep_sound)


@contextmanager
def mouth(config: Config, aloud: bool, wav: Path | None) -> Iterator[Callable[[Taken, float | None], None]]:
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


MARKS = {Verdict.ACCEPT: "+", Verdict.ASK: "?", Verdict.REJECT: "-"}


def tell(taken: Taken) -> str:
    mark = MARKS[taken.outcome.verdict]
    why = "" if taken.outcome.verdict is Verdict.ACCEPT else f"  [{taken.outcome.reason}]"
    return f"{mark} {taken.reply or '(nothing said)'}{why}"


def show_line(line: Line) -> None:
    minutes, seconds = divmod(line.start_s, 60)
    heard = line.taken.heard or "(no words)"
    click.echo(f"{int(minutes):02}:{seconds:04.1f}  heard: {heard}\n         {tell(line.taken)}")


def show_summary(book: Any, session: str | None) -> None:
    from voicelog.report import summarise, summary_lines

    chosen = session or book.last_session()
    if chosen is None:
        raise VoicelogError(f"{book.path}: no session yet; begin one with voicelog type or voicelog replay")
    for problem in book.verify():
        click.echo(f"voicelog: {book.path}: {problem}", err=True)
    events = list(book.events(session=chosen))
    for line in summary_lines(summarise(events, changed=book.changed_in(chosen))):
        click.echo(line)
