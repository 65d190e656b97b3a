"""Levels, noises and FLAC files. Every noise is drawn from the generator it is given."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile
from voices import RATE, RenderError, Samples

SPEECH_DBFS = -23.0
"""Level of the spoken stretches of a call: RMS, full scale is 0 dB."""

HUSH_DBFS = -75.0
"""Level of the noise that stands for a silent room."""


def _gain(db: float) -> float:
    return float(10 ** (db / 20))


def _rms(sound: Samples) -> float:
    return float(np.sqrt(np.square(sound).mean()))


def at_speech_level(sound: Samples, dbfs: float) -> Samples:
    """`sound` scaled so that its 20 ms frames within 30 dB of the loudest one have this RMS."""
    frame = RATE // 50
    power = np.square(sound[: sound.size // frame * frame]).reshape(-1, frame).mean(axis=1)
    active = power[power > power.max() * 1e-3]
    return sound * (_gain(dbfs) / float(np.sqrt(active.mean())))


def _at_rms(sound: Samples, dbfs: float) -> Samples:
    return sound * (_gain(dbfs) / _rms(sound))


def hush(samples: int, rng: np.random.Generator) -> Samples:
    """White noise, as quiet as a good microphone, so that no file has digital silence."""
    return rng.normal(0, _gain(HUSH_DBFS), samples)


def _shaped(samples: int, rng: np.random.Generator, low_hz: float, high_hz: float, tilt: float) -> Samples:
    """Noise between two frequencies whose amplitude falls as frequency to the power `tilt`."""
    hertz = np.fft.rfftfreq(samples, 1 / RATE)
    weight = np.where((hertz >= low_hz) & (hertz <= high_hz), np.maximum(hertz, 1.0) ** -tilt, 0.0)
    return np.fft.irfft(np.fft.rfft(rng.normal(size=samples)) * weight, samples)


def fan(samples: int, rng: np.random.Generator, dbfs: float) -> Samples:
    """A barn fan: the hum of six blades at 23 turns a second with its harmonics, swelling
    slowly, over pink noise (amplitude falls as the root of frequency)."""
    t = np.arange(samples) / RATE
    blade_hz = 6 * 23.0
    phase = 2 * np.pi * blade_hz * t + 0.6 * np.sin(2 * np.pi * 0.31 * t)
    hum = sum(np.sin(k * phase + rng.uniform(0, 2 * np.pi)) / k**1.5 for k in range(1, 9))
    swell = 1 + 0.15 * np.sin(2 * np.pi * 0.23 * t + rng.uniform(0, 2 * np.pi))
    rush = _shaped(samples, rng, 40, RATE / 2, 0.5)
    return _at_rms(_at_rms(hum * swell, 0) + _at_rms(rush, 0), dbfs)


def cough(rng: np.random.Generator, dbfs: float) -> Samples:
    """Two bursts of throat-shaped noise, 0.32 s and 0.26 s, with 0.11 s between."""
    bursts = []
    for seconds, loudness in ((0.32, 1.0), (0.26, 0.7)):
        n = round(seconds * RATE)
        t = np.arange(n) / RATE
        envelope = np.minimum(t / 0.012, 1) * np.exp(-t / 0.09)
        throat = _shaped(n, rng, 250, 900, 0.3) * 3 + _shaped(n, rng, 900, 4200, 0.3)
        bursts += [throat * envelope * loudness, np.zeros(round(0.11 * RATE))]
    return at_speech_level(np.concatenate(bursts[:-1]), dbfs)


def write_flac(path: Path, sound: Samples) -> None:
    """16-bit mono FLAC at 16 kHz. Raises RenderError rather than write a clipped file."""
    if np.abs(sound).max() >= 0.99:
        raise RenderError(f"{path.name} would clip: lower its level")
    path.parent.mkdir(parents=True, exist_ok=True)
    whole = np.round(sound * 32768).astype(np.int16)
    soundfile.write(path, whole, RATE, subtype="PCM_16", format="FLAC", compression_level=1.0)
