"""The noises of a quail barn, made by rule from a seed.

Each is a bed of `BED_S` seconds; a trial takes a stretch of it at a random place.
Levels are set when a noise is mixed, so a bed has none that means anything.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from voicelog.bench.cache import Cache
from voicelog.bench.level import Samples, active_level, rms_db
from voicelog.bench.texts import CHAT, CLASSICS, PROSE
from voicelog.bench.voices import FIT, HELD_OUT, Voice, spoken, voice_named
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

BED_S = 60.0
_FULL = 32768.0
_BED_PEAK = 0.9

_PASSAGE = round(20.0 * SAMPLE_RATE)

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Noise:
    """One noise. `held_out`: no fit may ever hear it. `make` gives `BED_S` seconds of it."""

    name: str
    held_out: bool
    make: Callable[[Rng, Cache], Samples]
    voices: tuple[Voice, ...] = ()
    """The voices that it is made of."""

    def missing(self) -> str | None:
        """What to install for this noise; None where it can be made here."""
        missing = [why for voice in self.voices if (why := voice.missing())]
        return f"noise {self.name}: {missing[0]}" if missing else None

    def bed(self, cache: Cache) -> Frames:
        """`BED_S` seconds, int16, 16 kHz. Raises VoicelogError where a voice of it is not installed."""
        if missing := self.missing():
            raise VoicelogError(missing)
        return cache.sound(("noise", self.name), lambda: self._make(cache))

    def _make(self, cache: Cache) -> Frames:
        sound = self.make(np.random.default_rng([ord(letter) for letter in self.name]), cache)
        frames: Frames = np.rint(sound * (_BED_PEAK * _FULL / np.abs(sound).max())).astype(np.int16)
        return frames


def shaped(samples: int, rng: Rng, tilt: float, low_hz: float = 40.0, high_hz: float = 8000.0) -> Samples:
    """Noise between two frequencies, at an RMS of 1, whose power falls as frequency to the power `tilt`; 1 is pink."""
    hertz = np.fft.rfftfreq(samples, 1 / SAMPLE_RATE)
    weight = np.where((hertz >= low_hz) & (hertz <= high_hz), np.maximum(hertz, 1.0) ** (-tilt / 2), 0.0)
    return _unit(np.fft.irfft(np.fft.rfft(rng.standard_normal(samples)) * weight, samples))


def fan(samples: int, rng: Rng) -> Samples:
    """A barn fan: the hum of four blades at some 18 turns a second, twelve harmonics, speed and
    strength wandering slowly, over the rush of air."""
    t = np.arange(samples) / SAMPLE_RATE
    blade_hz = 4 * rng.uniform(17, 20)
    phase = 2 * np.pi * (blade_hz * t + 0.8 * np.sin(2 * np.pi * 0.13 * t))
    hum = np.sum([np.sin(k * phase + rng.uniform(0, 2 * np.pi)) / k for k in range(1, 13)], axis=0)
    swell = 1 + 0.25 * np.sin(2 * np.pi * 0.21 * t + rng.uniform(0, 2 * np.pi))
    return _unit(hum) * swell + shaped(samples, rng, 1.2)


def crows(samples: int, rng: Rng) -> Samples:
    """Quail: males crowing, two short syllables and a long one between 1.6 and 3.8 kHz, harsh; the
    others chirping, falling from 6.5 to 3.2 kHz; little else."""
    sound = 0.02 * shaped(samples, rng, 1.0)
    for start in _moments(samples, rng, a_second=0.9):
        _lay(sound, start, _crow(rng) * rng.uniform(0.3, 1.0))
    for start in _moments(samples, rng, a_second=2.5):
        _lay(sound, start, _chirp(rng) * rng.uniform(0.05, 0.4))
    return sound


def clatter(samples: int, rng: Rng) -> Samples:
    """Cages: knocks that ring in seven modes from 0.7 to 6.5 kHz for up to a quarter second, some of them rattling."""
    sound = 0.01 * shaped(samples, rng, 1.0)
    for start in _moments(samples, rng, a_second=1.6):
        knocks = rng.integers(1, 5)
        for knock in range(knocks):
            _lay(sound, start + int(knock * rng.uniform(0.05, 0.12) * SAMPLE_RATE), _knock(rng))
    return sound


def poultry(samples: int, rng: Rng) -> Samples:
    """Hens and cockerels: clucks of a twentieth of a second and cries of up to a second, tones with many overtones
    that rise and fall again, through three resonances of a throat."""
    sound = 0.01 * shaped(samples, rng, 1.0)
    for start in _moments(samples, rng, a_second=0.7):
        if rng.random() < 0.6:
            pitch, seconds, times = rng.uniform(250, 600), rng.uniform(0.04, 0.12), int(rng.integers(1, 6))
        else:
            pitch, seconds, times = rng.uniform(350, 900), rng.uniform(0.2, 0.9), int(rng.integers(1, 4))
        for cry in range(times):
            after = int(cry * (seconds + rng.uniform(0.05, 0.3)) * SAMPLE_RATE)
            _lay(sound, start + after, _cry(rng, pitch * rng.uniform(0.9, 1.1), seconds) * rng.uniform(0.3, 1.0))
    return sound


def whistles(samples: int, rng: Rng) -> Samples:
    """Small birds, and a wheel that wants oil: phrases of two to eight pure or buzzing tones from 1 to 6 kHz that slide
    up or down, each phrase of one or two kinds of tone."""
    sound = 0.01 * shaped(samples, rng, 1.0)
    for start in _moments(samples, rng, a_second=0.6):
        kinds = [
            (rng.uniform(0.04, 0.4), rng.uniform(1000, 6000), rng.uniform(0.6, 1.6), rng.uniform(0, 0.9))
            for _ in range(int(rng.integers(1, 3)))
        ]
        buzz_hz, at, loud = rng.uniform(25, 160), start, rng.uniform(0.2, 1.0)
        for tone in range(int(rng.integers(2, 9))):
            seconds, from_hz, slide, harsh = kinds[tone % len(kinds)]
            swept = _sweep(seconds, from_hz, min(from_hz * slide, 7000.0))
            t = np.arange(len(swept)) / SAMPLE_RATE
            _lay(sound, at, swept * (1 + harsh * np.sin(2 * np.pi * buzz_hz * t)) * loud)
            at += len(swept) + int(rng.uniform(0.01, 0.15) * SAMPLE_RATE)
    return sound


def bangs(samples: int, rng: Rng) -> Samples:
    """Doors, buckets, boots and feed: bursts of noise, sharp or dull, through two resonances, some of them repeated."""
    sound = 0.01 * shaped(samples, rng, 1.0)
    for start in _moments(samples, rng, a_second=0.8):
        beat, times = rng.uniform(0.1, 0.5), int(rng.integers(1, 6))
        for stroke in range(times):
            burst = shaped(round(0.5 * SAMPLE_RATE), rng, rng.uniform(0, 2), 60, rng.uniform(1000, 8000))
            t = np.arange(len(burst)) / SAMPLE_RATE
            swell = np.minimum(t / rng.uniform(0.001, 0.06), 1) * np.exp(-t / rng.uniform(0.01, 0.15))
            ringing = _resonant(burst * swell, [(rng.uniform(200, 3000), rng.uniform(40, 400)) for _ in range(2)])
            _lay(sound, start + int(stroke * beat * SAMPLE_RATE), ringing * rng.uniform(0.2, 1.0))
    return sound


def babble(samples: int, rng: Rng, voices: tuple[Voice, ...], cache: Cache) -> Samples:
    """Eight people at once, as loud as each other: each says a passage over and over, beginning somewhere in it."""
    texts = [*PROSE, *CHAT, *CLASSICS]
    sound = np.zeros(samples)
    for talker in range(8):
        voice = voices[talker % len(voices)]
        passage: list[Frames] = []
        while sum(map(len, passage)) < min(samples, _PASSAGE):
            text, seed = texts[rng.integers(len(texts))], int(rng.integers(1000))
            passage.append(spoken(voice, text, seed, cache))
        speech = np.resize(np.concatenate(passage), samples) / _FULL
        sound += np.roll(speech * 10 ** (-active_level(speech)[0] / 20), rng.integers(samples))
    return sound


def _recorded_fan(_rng: Rng, _cache: Cache) -> Samples:
    """The fan of `audio_fixtures/noise`, made by another rule than `fan`; ours, under the project's licence."""
    import soundfile

    from voicelog.places import shipped

    sound = soundfile.read(shipped("audio_fixtures", "noise", "fan.flac"))[0]
    return np.resize(sound, round(BED_S * SAMPLE_RATE))


_SAMPLES = round(BED_S * SAMPLE_RATE)
_OTHER_TALKERS = (*HELD_OUT, voice_named("flite_slt@0.9"), voice_named("piper_joe@1.1"))

_NOISES = (
    Noise("pink", False, lambda rng, _: shaped(_SAMPLES, rng, 1.0)),
    Noise("fan", False, lambda rng, _: fan(_SAMPLES, rng)),
    Noise("babble", False, lambda rng, cache: babble(_SAMPLES, rng, FIT, cache), FIT),
    Noise("poultry", False, lambda rng, _: poultry(_SAMPLES, rng)),
    Noise("whistles", False, lambda rng, _: whistles(_SAMPLES, rng)),
    Noise("bangs", False, lambda rng, _: bangs(_SAMPLES, rng)),
    Noise("pink_steep", True, lambda rng, _: shaped(_SAMPLES, rng, 1.5)),
    Noise("crows", True, lambda rng, _: crows(_SAMPLES, rng)),
    Noise("clatter", True, lambda rng, _: clatter(_SAMPLES, rng)),
    Noise("babble_other", True, lambda rng, cache: babble(_SAMPLES, rng, _OTHER_TALKERS, cache), _OTHER_TALKERS),
    Noise("fixture_fan", True, _recorded_fan),
)


def noises_of(which: Literal["fit", "held-out", "all"]) -> tuple[Noise, ...]:
    """The noises that fits are made on, those kept out of fits, or both."""
    return tuple(noise for noise in _NOISES if which == "all" or noise.held_out == (which == "held-out"))


def noise_named(name: str) -> Noise:
    """Raises VoicelogError for no such noise."""
    for noise in _NOISES:
        if noise.name == name:
            return noise
    raise VoicelogError(f"no noise is called {name}: choose of {', '.join(noise.name for noise in _NOISES)}")


def _unit(sound: Samples) -> Samples:
    return sound * 10 ** (-rms_db(sound) / 20)


def _moments(samples: int, rng: Rng, a_second: float) -> list[int]:
    """Samples at which something happens, so many a second on average, at any time alike."""
    return [int(at) for at in rng.uniform(0, samples, round(samples / SAMPLE_RATE * a_second))]


def _lay(sound: Samples, start: int, event: Samples) -> None:
    end = min(start + len(event), len(sound))
    if start < end:
        sound[start:end] += event[: end - start]


def _sweep(seconds: float, from_hz: float, to_hz: float) -> Samples:
    """A tone that slides, swelling and fading as half a sine."""
    n = round(seconds * SAMPLE_RATE)
    t = np.arange(n) / n
    phase = 2 * np.pi * seconds * (from_hz * t + (to_hz - from_hz) * t * t / 2)
    return np.sin(phase) * np.sin(np.pi * t)


def _crow(rng: Rng) -> Samples:
    pitch = rng.uniform(0.9, 1.1)
    syllables = []
    for seconds, from_hz, to_hz in ((0.09, 2000, 2400), (0.11, 2200, 2700), (0.32, 2300, 3200)):
        tone = _sweep(seconds * rng.uniform(0.9, 1.1), from_hz * pitch, to_hz * pitch)
        t = np.arange(len(tone)) / SAMPLE_RATE
        harsh = 1 + 0.7 * np.sin(2 * np.pi * rng.uniform(60, 110) * t)
        syllables += [tone * harsh, np.zeros(round(rng.uniform(0.04, 0.09) * SAMPLE_RATE))]
    return np.concatenate(syllables)


def _chirp(rng: Rng) -> Samples:
    top = rng.uniform(5000, 6500)
    one = _sweep(rng.uniform(0.05, 0.1), top, top * rng.uniform(0.65, 0.85))
    return np.concatenate([one, np.zeros(round(0.05 * SAMPLE_RATE))] * int(rng.integers(1, 5)))


def _knock(rng: Rng) -> Samples:
    t = np.arange(round(0.4 * SAMPLE_RATE)) / SAMPLE_RATE
    strength = rng.lognormal(0.0, 0.5)
    modes = [
        np.sin(2 * np.pi * rng.uniform(700, 6500) * t) * np.exp(-t / rng.uniform(0.01, 0.08)) * rng.uniform(0.2, 1)
        for _ in range(7)
    ]
    knock: Samples = strength * np.sum(modes, axis=0)
    return knock


def _cry(rng: Rng, pitch_hz: float, seconds: float) -> Samples:
    t = np.arange(round(seconds * SAMPLE_RATE)) / SAMPLE_RATE
    bend = 1 + rng.uniform(-0.3, 0.5) * np.sin(np.pi * t / seconds)
    phase = 2 * np.pi * np.cumsum(pitch_hz * bend) / SAMPLE_RATE
    tone = np.sum([np.sin(k * phase) / k ** rng.uniform(0.3, 1.2) for k in range(1, 13)], axis=0)
    breath = rng.uniform(0, 0.5) * rng.standard_normal(len(t))
    throat = [(rng.uniform(low, high), rng.uniform(80, 300)) for low, high in ((500, 1200), (1200, 2500), (2500, 4500))]
    return _resonant((tone + breath) * np.sin(np.pi * t / seconds) ** rng.uniform(0.3, 1.5), throat)


def _resonant(sound: Samples, modes: list[tuple[float, float]]) -> Samples:
    """The sum of what comes through resonances of so many Hz and so wide, at a peak of 1."""
    hertz = np.fft.rfftfreq(len(sound), 1 / SAMPLE_RATE)
    through = np.sum([1 / (1 + ((hertz - middle) / (width / 2)) ** 2) for middle, width in modes], axis=0)
    made = np.fft.irfft(np.fft.rfft(sound) * through, len(sound))
    loudest: Samples = made / np.abs(made).max()
    return loudest
