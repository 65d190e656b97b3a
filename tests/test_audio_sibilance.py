"""Whether a word begins with an /s/, told from its sound."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.audio.sibilance import LEAST_SIBILANCE_DB, begins_with_sibilant, sibilance
from voicelog.values import SAMPLE_RATE, Frames

BEFORE_S = 0.5
"""Where the word begins."""

Sound = np.ndarray[tuple[int], np.dtype[np.float64]]


def band(seconds: float, low: float, high: float, seed: int = 1) -> Sound:
    """Noise of so many seconds between two frequencies, at an RMS of 1."""
    length = round(seconds * SAMPLE_RATE)
    hertz = np.fft.rfftfreq(length, 1 / SAMPLE_RATE)
    white = np.fft.rfft(np.random.default_rng(seed).standard_normal(length))
    noise = np.fft.irfft(white * ((hertz >= low) & (hertz < high)), length)
    return noise / noise.std()


def vowel(seconds: float) -> Sound:
    """A pulse train through two resonances, at an RMS of 1."""
    pulses = np.zeros(round(seconds * SAMPLE_RATE))
    pulses[:: SAMPLE_RATE // 120] = 1
    t = np.arange(400) / SAMPLE_RATE
    throat = np.exp(-t * 300) * (np.sin(2 * np.pi * 550 * t) + 0.3 * np.sin(2 * np.pi * 1700 * t))
    voice = np.convolve(pulses, throat)[: len(pulses)]
    return voice / voice.std()


FIRST = {
    "sell": lambda: 0.3 * band(0.09, 4200, 7500),
    "cull": lambda: np.concatenate([np.zeros(800), 0.3 * band(0.04, 1000, 2600)]),
    "foam": lambda: 0.1 * band(0.09, 300, 8000),
    "ull": lambda: np.zeros(1000),
    "chirp": lambda: np.concatenate([0.3 * band(0.012, 4200, 7500), np.zeros(1200)]),
    "yes, cull": lambda: np.concatenate([0.3 * band(0.09, 4200, 7500), np.zeros(800), 0.3 * band(0.04, 1000, 2600)]),
}


def word(first: str, around: float = 0.003, seed: int = 1) -> tuple[Frames, float, float]:
    """A word with that beginning in white noise: its sound, and where it begins and ends, in seconds."""
    begin = FIRST[first]()
    said = np.concatenate([np.zeros(round(BEFORE_S * SAMPLE_RATE)), begin, vowel(0.2), np.zeros(8000)])
    noise = around * np.random.default_rng(seed).standard_normal(len(said))
    ends = BEFORE_S + len(begin) / SAMPLE_RATE + 0.2
    return np.rint(4000 * (said + noise)).astype(np.int16), BEFORE_S, ends


@given(st.integers(0, 1000), st.floats(0.0005, 0.05))
@settings(max_examples=30)
def test_the_s_of_sell_is_told_in_noise_too(seed: int, around: float) -> None:
    frames, start, end = word("sell", around, seed)
    assert begins_with_sibilant(frames, frames, start, end)


@pytest.mark.parametrize("first", ["cull", "foam", "ull", "chirp", "yes, cull"])
@given(seed=st.integers(0, 1000), around=st.floats(0.0005, 0.05))
@settings(max_examples=20)
def test_nothing_else_is(first: str, seed: int, around: float) -> None:
    frames, start, end = word(first, around, seed)
    assert not begins_with_sibilant(frames, frames, start, end)


def test_a_hiss_must_be_in_the_sound_as_it_came_and_behind_the_noise_stage() -> None:
    (sell, start, end), (none, _, _) = word("sell"), word("ull")
    none = np.pad(none, (len(sell) - len(none), 0))  # so that the vowels are at one time
    assert begins_with_sibilant(sell, sell, start, end)
    assert not begins_with_sibilant(none, sell, start, end)
    assert not begins_with_sibilant(sell, none, start, end)


def test_a_hiss_no_louder_than_what_is_around_counts_for_nothing() -> None:
    frames, start, end = word("sell")
    around = 4000 * 0.6 * band(len(frames) / SAMPLE_RATE, 4200, 7500, seed=2)
    assert sibilance(np.clip(frames + around, -32768, 32767).astype(np.int16), frames, start, end) == -np.inf


@pytest.mark.parametrize("place", [(0.0, 0.0), (0.5, 0.5), (5.0, 6.0), (0.0, 0.3)])
def test_a_word_without_a_vowel_has_none(place: tuple[float, float]) -> None:
    frames, _, _ = word("sell")
    assert sibilance(frames, frames, *place) < LEAST_SIBILANCE_DB
    assert sibilance(frames[:100], frames[:100], *place) == -np.inf
    assert sibilance(frames[:-1], frames, *place) == -np.inf
