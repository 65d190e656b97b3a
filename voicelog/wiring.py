"""What several commands need: settings, rooms wired into a sitting, a mouth for replies, lines on the screen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from voicelog.values import Verdict, VoicelogError, expanded

if TYPE_CHECKING:
    from voicelog.audio import Speaker, Voice
    from voicelog.beginning import Beginning
    from voicelog.config import Config
    from voicelog.flock.varieties import Plans
    from voicelog.grammar import Grammars
    from voicelog.rehearse import VoiceProfile
    from voicelog.replay import Line
    from voicelog.session import Settings, State
    from voicelog.sitting import Sitting, Taken

CAUTIONS = (
    "Birds: never squeeze the body; support back and wings; stop if the bird pants or goes limp. "
    "People: gloves, wash, a mask in dust; droppings and foam can carry disease. "
    "Culling, medicines and moving birds: local law and a veterinarian decide, not this program."
)


def settings_now() -> Config:
    """The settings, with what a rehearsal found for this voice. What the settings file names wins over it."""
    config = plain_settings()
    profile = voice_profile(config)
    if profile is None:
        return config
    from voicelog.hearing import choose

    found = {} if "gain_db" in config.model_fields_set else {"gain_db": profile.gain_db}
    # Certainties of two engines are not to be compared, and the two thresholds belong together.
    same_engine = choose(config.engine, None, config.vosk_model).engine == profile.engine
    if same_engine and not config.model_fields_set & {"accept_from", "ask_from"}:
        found |= {"accept_from": profile.accept_from, "ask_from": profile.ask_from}
    return config.model_copy(update=found)


def plain_settings() -> Config:
    """The settings without a rehearsal's."""
    from voicelog.config import load_config

    context = click.get_current_context(silent=True)
    given = {} if context is None else context.meta.get(_GIVEN, {})
    return load_config().model_copy(update=given)


_GIVEN = "voicelog.given"


def instead_of_setting(context: click.Context, option: click.Parameter, value: Any) -> None:
    """Callback of an option that stands in for the setting of its name, for this one command."""
    if value is not None:
        context.meta.setdefault(_GIVEN, {})[option.name] = value


def open_grammars(config: Config) -> Grammars:
    """The grammars of the settings: the folder named, else those of the language; with the words of the yard file."""
    from voicelog.grammar import MISHEARD_NAME, Grammars, load_yard
    from voicelog.places import shipped

    file = yard_file(config)
    yard = None if file is None else load_yard(file)
    grammars = Grammars(grammars_folder(config), yard, shipped("grammars", MISHEARD_NAME))
    grammars.check_named("call")
    return grammars


def yard_file(config: Config) -> Path | None:
    """The yard file of the settings, whether it is there or not."""
    return None if config.yard is None else expanded(config.yard)


def grammars_folder(config: Config) -> Path:
    """The folder of the grammars of the settings; one that was named need not be there."""
    from voicelog.places import shipped

    if config.grammars is not None:
        return expanded(config.grammars)
    return shipped("grammars") if config.language == "en" else _folder_of(config.language)


def _folder_of(language: str) -> Path:
    from voicelog.places import shipped

    languages = sorted(path.parent.name for path in shipped("grammars").glob("*/call.gram"))
    if language not in languages:
        raise VoicelogError(
            f"there are no grammars for the language “{language}”; "
            f"use {', '.join(('en', *languages))}, or name a folder of .gram files with the setting grammars"
        )
    return shipped("grammars", language)


def profile_path(config: Config) -> Path:
    """Where the voice's profile lies: as the settings say, else beside them."""
    from voicelog.config import config_path

    if config.voice_profile is not None:
        return expanded(config.voice_profile)
    return config_path().with_name("voice.toml")


def voice_profile(config: Config) -> VoiceProfile | None:
    """The profile of a rehearsal, None where there is none. Raises VoicelogError for a broken one."""
    path = profile_path(config)
    if config.voice_profile is None and not path.exists():
        return None
    from voicelog.rehearse import load_profile

    return load_profile(path)


def check_plans(config: Config) -> Plans:
    """The varieties and their check plans: shipped, with the keeper's own laid over them."""
    from voicelog.flock.varieties import load_plans
    from voicelog.places import shipped

    own = None if config.varieties is None else expanded(config.varieties)
    return load_plans(shipped("grammars", "varieties.toml"), own)


def ledger_path(config: Config, given: Path | None) -> Path:
    """The ledger that was given, else that of the settings, whose folder is made."""
    if given is not None:
        return given
    path = expanded(config.ledger)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise VoicelogError(f"{path.parent}: {wrong.strerror}; name another place with --ledger") from wrong
    return path


def dialogue_settings(config: Config, weights: tuple[float, float] | None = None) -> Settings:
    from voicelog.session import Policy, Settings

    by_cost = Policy.by_cost(config.silent_error_cost, config.say_again_cost)
    policy = replace(by_cost, accept_from=config.accept_from, ask_from=config.ask_from)
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
    resumed: tuple[str, State] | None = None,
) -> Sitting:
    """The rooms wired together. `resumed` is the id of a session that is gone on with, and where it stands."""
    from voicelog.hearing import choose, open_recogniser
    from voicelog.session import start
    from voicelog.sitting import Sitting

    grammars = open_grammars(config)
    settings = dialogue_settings(config, weights)
    session, state = resumed or (
        None,
        start(beginning.roster, beginning.known, settings, beginning.purpose, beginning.gone),
    )
    recogniser = None
    if listens:
        choice = choose(config.engine, model, config.vosk_model)
        profile = voice_profile(config)
        mllr = profile_path(config).parent / profile.mllr if profile is not None and profile.mllr else None
        own = own_pronunciations(choice.engine, grammars)
        recogniser = open_recogniser(choice, own, mllr, second=wants_second(config))
    return Sitting(grammars, state, recogniser=recogniser, ledger=book, keep_sound=config.keep_sound, session=session)


def wants_second(config: Config) -> bool:
    """Whether the second listener is to hear too, where its model is installed: it knows English alone."""
    return config.second_listener and config.language == "en"


def own_pronunciations(engine: str, grammars: Grammars) -> dict[str, tuple[str, ...]]:
    """What PocketSphinx must be told. Raises VoicelogError, with its place, for a word of the yard file without any."""
    if engine != "pocketsphinx":
        return {}
    for word, place in grammars.yard.words():
        if not grammars.sounds.ways(word):
            raise VoicelogError(
                f"{place}: no pronunciation is known for “{word}”; add it to the yard file under [pronunciations], "
                f'as in {word} = "K W EY L"'
            )
    return {word: tuple(map(" ".join, ways)) for word, ways in grammars.pronunciations.items()}


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


HARDLY_HEARD = 0.1
"""A certainty below which the words are what the recogniser pressed some sound onto: to show them would mislead."""


def show_line(line: Line) -> None:
    minutes, seconds = divmod(line.start_s, 60)
    heard = line.taken.heard if line.taken.heard and line.taken.certainty >= HARDLY_HEARD else "(no words)"
    click.echo(f"{int(minutes):02}:{seconds:04.1f}  heard: {heard}\n         {tell(line.taken)}")


def show_summary(book: Any, session: str | None) -> None:
    from voicelog.report import summarise, summary_lines

    chosen = session or book.last_session()
    if chosen is None:
        raise VoicelogError(f"{book.path}: no session yet; begin one with voicelog type or voicelog replay")
    for problem in book.verify():
        click.echo(f"voicelog: {book.path}: {problem}", err=True)
    told = summarise(book.about_session(chosen), book.changed_in(chosen), len(book.conflicts_of(chosen)))
    for line in summary_lines(told):
        click.echo(line)
