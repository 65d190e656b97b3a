"""Whether there is a voice in a sound."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from voicelog.audio import read_sound
from voicelog.audio.voicing import has_voice, voicing
from voicelog.values import SAMPLE_RATE, Frames

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
CALLS = [json.loads(line)["file"] for line in (FIXTURES / "calls.jsonl").read_text().splitlines()]


def sound(name: str) -> Frames:
    return np.concatenate(list(read_sound(FIXTURES / name)))


@pytest.mark.parametrize("name", CALLS[::12])
def test_every_recorded_call_has_a_voice(name: str) -> None:
    assert has_voice(sound(name))


@pytest.mark.parametrize("name", ["noise/cough.flac", "noise/fan.flac", "noise/silence.flac"])
def test_coughs_and_fans_have_none(name: str) -> None:
    assert not has_voice(sound(name))


def test_a_bystander_has_one() -> None:
    assert has_voice(sound("noise/bystander.flac"))


@given(st.integers(90, 380), st.floats(0.001, 0.1))
def test_the_pulses_of_a_voice_box_are_a_voice(hertz: int, breath: float) -> None:
    """A pulse train through one resonance, as in any textbook of speech, with some breath."""
    pulses = np.zeros(SAMPLE_RATE // 4)
    pulses[:: SAMPLE_RATE // hertz] = 1
    throat = np.exp(-np.arange(200) / 40) * np.sin(2 * np.pi * 700 * np.arange(200) / SAMPLE_RATE)
    voice = np.convolve(pulses, throat)[: len(pulses)]
    voice = voice / voice.std() + breath * np.random.default_rng(hertz).standard_normal(len(voice))
    assert has_voice((voice * 2000).astype(np.int16))


@given(st.integers(0, 10_000), st.integers(80, 900), st.floats(2, 12), st.floats(0.05, 0.5), st.floats(0.03, 0.25))
@settings(max_examples=60)
def test_a_burst_of_noise_is_none(seed: int, low: int, wide: float, seconds: float, decay: float) -> None:
    draw = np.random.default_rng(seed)
    length = round(seconds * SAMPLE_RATE)
    hertz = np.fft.rfftfreq(length, 1 / SAMPLE_RATE)
    band = (hertz >= low) & (hertz <= max(low * wide, low + 600))
    noise = np.fft.irfft(np.fft.rfft(draw.standard_normal(length)) * band, length)
    burst = noise / noise.std() * np.exp(-np.arange(length) / SAMPLE_RATE / decay)
    whole = np.concatenate([draw.standard_normal(4000) * 0.003, burst, draw.standard_normal(4000) * 0.003])
    assert voicing((whole * 3000).astype(np.int16)) < 0.8


@given(arrays(np.int16, st.integers(0, 3000), elements=st.integers(-32768, 32767)))
def test_any_sound_has_some_voicing_or_none(frames: Frames) -> None:
    assert -1 <= voicing(frames) <= 1.5
