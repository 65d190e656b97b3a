"""The trials of a benchmark: voices by noises by ratios by rosters, so many calls each."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache as remembered
from typing import Literal

import numpy as np

from voicelog.bench.cache import Cache
from voicelog.bench.calls import BANDS, CallDrawer, pens
from voicelog.bench.level import Samples
from voicelog.bench.mix import mix, mixed_length
from voicelog.bench.noises import noise_named
from voicelog.bench.room import Room, in_room
from voicelog.bench.voices import spoken, voice_named
from voicelog.values import Call, Frames

Roster = Literal["pen", "all"]
"""Which bands are live: forty of them, the one said among them; or 1 to 299."""

NO_NOISE = "none"
CLEAN = None
"""The ratio of a trial without noise."""

RATIOS_DB: tuple[float | None, ...] = (CLEAN, 20.0, 15.0, 10.0, 5.0)
_LEVELS_DB = (-30.0, -22.0)
"""Between these the level of a call's speech is drawn, dB over full scale."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One call to be heard: what is said, how it sounds, what is right. `snr_db` is None for clean."""

    seed: int
    voice: str
    noise: str
    snr_db: float | None
    room: Room
    roster: Roster
    number: int
    words: tuple[str, ...]
    truth: Call
    pen: tuple[int, ...]
    """The live bands."""
    cache: Cache = field(repr=False, compare=False)

    @property
    def key(self) -> str:
        """Names the trial among all there could be."""
        ratio = "clean" if self.snr_db is None else f"{self.snr_db:g}"
        return f"{self.seed}/{self.voice}/{self.noise}/{ratio}/{self.room}/{self.roster}/{self.number}"

    @property
    def frames(self) -> Frames:
        """The sound, int16, 16 kHz mono. The same for every roster; but for the noise's level, for every ratio.

        Raises VoicelogError where a voice or the cache cannot be used.
        """
        draw = random.Random(f"sound {self.seed} {self.voice} {self.noise} {self.number}")
        said = spoken(voice_named(self.voice), " ".join(self.words), draw.randrange(1000), self.cache)
        speech = in_room(said / 32768, self.room)
        level = draw.uniform(*_LEVELS_DB)
        if self.snr_db is None:
            return mix(speech, np.zeros(0), None, level)
        bed = _bed(self.noise, self.cache)
        start = draw.randrange(len(bed))
        return mix(speech, np.resize(np.roll(bed, -start), mixed_length(speech)), self.snr_db, level)


def grid(
    voices: Sequence[str],
    noises: Sequence[str],
    cache: Cache,
    *,
    ratios_db: Sequence[float | None] = RATIOS_DB,
    rosters: Sequence[Roster] = ("pen", "all"),
    rooms: Sequence[Room] = ("none",),
    calls: int = 20,
    seed: int = 1,
) -> Iterator[Trial]:
    """Every trial, the first call of every cell before the second of any.

    A voice, a noise and a number make a call, heard at every ratio and roster; without noise
    (a ratio of None) a voice has its own calls, once. Raises VoicelogError for unknown names.
    """
    for name in voices:
        voice_named(name)
    for name in noises:
        noise_named(name)
    drawer = _drawer()
    conditions: list[tuple[str, list[float | None]]] = []
    if CLEAN in ratios_db:
        conditions.append((NO_NOISE, [CLEAN]))
    loud: list[float | None] = [ratio for ratio in ratios_db if ratio is not CLEAN]
    if loud:
        conditions += [(noise, loud) for noise in noises]
    for number in range(calls):
        pen = pens(seed)[number % len(pens(seed))]
        for voice in voices:
            for noise, ratios in conditions:
                call = drawer.draw(random.Random(f"call {seed} {voice} {noise} {number}"), pen)
                for room in rooms:
                    for ratio in ratios:
                        for roster in rosters:
                            live = pen if roster == "pen" else BANDS
                            yield Trial(
                                seed, voice, noise, ratio, room, roster, number, call.words, call.truth, live, cache
                            )


@remembered
def _drawer() -> CallDrawer:
    return CallDrawer()


@remembered
def _bed(noise: str, cache: Cache) -> Samples:
    bed: Samples = noise_named(noise).bed(cache) / 32768
    return bed
