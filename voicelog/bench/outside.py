"""Sound that is no call: read prose, chat, people, noise. Whatever is written of it is wrong."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from pydantic import BaseModel, ConfigDict

from voicelog.bench.cache import Cache
from voicelog.bench.calls import pens
from voicelog.bench.mix import HUSH_DB
from voicelog.bench.noises import noise_named
from voicelog.bench.texts import CHAT, CLASSICS, PROSE
from voicelog.bench.voices import spoken, voice_named
from voicelog.config import Config
from voicelog.values import SAMPLE_RATE, Frames, Verdict

HUMANS = Path("/usr/share/pocketsphinx/test/data")
"""Recordings of people in Debian's pocketsphinx-testdata: a novel read aloud, names of playing cards."""

_PAUSE_S = (0.6, 1.6)
_NOISE_DB = -32.0
_BLOCK = SAMPLE_RATE // 2


@dataclass(frozen=True, slots=True)
class Stream:
    """Some minutes of sound that is no call. `kind`: speech or noise."""

    name: str
    kind: str
    frames: Frames


class Outside(BaseModel):
    """What came of a stream: utterances cut from it, calls written, other facts written
    (a pause, a note), questions, words refused."""

    model_config = ConfigDict(frozen=True)

    name: str
    kind: str
    minutes: float
    utterances: int
    calls: int
    other_facts: int
    asked: int
    rejected: int
    written_as: list[str]
    """What was heard where something was written."""


def speech_streams(voices: Sequence[str], cache: Cache, minutes: float, seed: int) -> Iterator[Stream]:
    """Prose and chat, so many minutes in all, the voices taking equal parts; then people, where they are installed."""
    hush = np.random.default_rng(seed)
    for name in voices:
        draw = random.Random(f"outside {seed} {name}")
        pieces: list[Frames] = []
        while sum(map(len, pieces)) < minutes * 60 * SAMPLE_RATE / len(voices):
            text = draw.choice((*PROSE, *CHAT, *CLASSICS))
            pause = np.zeros(round(draw.uniform(*_PAUSE_S) * SAMPLE_RATE), np.int16)
            pieces += [spoken(voice_named(name), text, draw.randrange(1000), cache), pause]
        yield Stream(name, "speech", _hushed(np.concatenate(pieces), hush))
    people = sorted(HUMANS.glob("*/*.wav"))
    if people:
        yield Stream("people", "speech", _hushed(np.concatenate([_read(path) for path in people]), hush))


def noise_streams(noises: Sequence[str], cache: Cache, minutes: float) -> Iterator[Stream]:
    """Noise alone, so many minutes in all, the noises taking equal parts."""
    for name in noises:
        bed = noise_named(name).bed(cache) / 32768
        sound = np.resize(bed, round(minutes * 60 * SAMPLE_RATE / len(noises)))
        loud = sound * (10 ** (_NOISE_DB / 20) / np.sqrt(np.mean(np.square(bed))))
        yield Stream(name, "noise", np.clip(np.rint(loud * 32768), -32768, 32767).astype(np.int16))


def listen_outside(stream: Stream, config: Config, seed: int) -> Outside:
    """The stream as a session: cut, cleaned, heard, answered. One after another, so that a question may be
    "answered" by what follows; a session that was paused or finished goes on listening."""
    from voicelog.beginning import Beginning
    from voicelog.replay import hear_stream
    from voicelog.session import Purpose
    from voicelog.wiring import noise_stage, open_sitting

    sitting = open_sitting(config, None, Beginning(Purpose(), pens(seed)[0]), None)
    utterances = calls = other = asked = rejected = 0
    written_as = []
    blocks = (stream.frames[start : start + _BLOCK] for start in range(0, len(stream.frames), _BLOCK))
    for _, taken in hear_stream(sitting, blocks, noise_stage(config)):
        utterances += 1
        facts = [fact for _, fact in taken.outcome.facts]
        calls += sum(fact.kind == "call" for fact in facts)
        other += sum(fact.kind != "call" for fact in facts)
        asked += taken.outcome.verdict is Verdict.ASK
        rejected += taken.outcome.verdict is Verdict.REJECT
        if facts:
            written_as.append(taken.heard)
        sitting.state = replace(sitting.state, mode="listening", noting=False)
    return Outside(
        name=stream.name,
        kind=stream.kind,
        minutes=len(stream.frames) / SAMPLE_RATE / 60,
        utterances=utterances,
        calls=calls,
        other_facts=other,
        asked=asked,
        rejected=rejected,
        written_as=written_as,
    )


def outside_table(told: Sequence[Outside]) -> Iterator[str]:
    """Lines for the terminal."""
    yield f"{'out of grammar':18}{'minutes':>8}{'heard':>7}{'written':>9}{'other':>7}{'asked':>7}{'a minute':>10}"
    for kind in dict.fromkeys(one.kind for one in told):
        some = [one for one in told if one.kind == kind]
        total = Outside(
            name=f"all {kind}",
            kind=kind,
            written_as=[],
            **{name: sum(getattr(one, name) for one in some) for name in _COUNTS},
        )
        for one in [*some, total]:
            yield (
                f"{one.name:18}{one.minutes:8.1f}{one.utterances:7}{one.calls:9}{one.other_facts:7}{one.asked:7}"
                f"{one.asked / one.minutes:10.2f}"
            )


_COUNTS = ("minutes", "utterances", "calls", "other_facts", "asked", "rejected")


def _hushed(frames: Frames, rng: np.random.Generator) -> Frames:
    """No microphone gives digital silence."""
    hush = rng.normal(0, 32768 * 10 ** (HUSH_DB / 20), len(frames))
    return np.clip(np.rint(frames + hush), -32768, 32767).astype(np.int16)


def _read(path: Path) -> Frames:
    from voicelog.audio import read_sound

    pause = np.zeros(SAMPLE_RATE, np.int16)
    return np.concatenate([*read_sound(path), pause])
