"""How far a voice stands out of the noise: against levels that are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.audio import read_sound
from voicelog.bench.mix import mix
from voicelog.hearing.noise import over_noise_db
from voicelog.values import SAMPLE_RATE, Frames

CALL = np.concatenate(
    list(read_sound(Path(__file__).parent.parent / "audio_fixtures" / "calls" / "flite_awb" / "06.flac"))
)


@given(st.floats(3.0, 40.0), st.floats(100.0, 1000.0))
def test_a_tone_and_the_silence_between(apart_db: float, loud: float) -> None:
    """Half a second of either, a whole number of periods a step: the levels are those that were given."""
    wave = np.sin(2 * np.pi * 400 * np.arange(SAMPLE_RATE // 2) / SAMPLE_RATE)
    tone = np.concatenate([wave * loud * 30, wave * loud * 30 / 10 ** (apart_db / 20)])
    assert over_noise_db(np.rint(tone).astype(np.int16)) == pytest.approx(apart_db, abs=0.3)


def test_the_louder_the_noise_the_less_the_voice_stands_out() -> None:
    noise = np.random.default_rng(1).normal(0, 1, 8 * SAMPLE_RATE)
    at = [over_noise_db(mix(CALL / 32768, noise, ratio, -25.0)) for ratio in (25.0, 20.0, 15.0, 10.0, 5.0)]
    assert at == sorted(at, reverse=True)
    # The loud tenth lies some 7 dB over the level of all speech.
    assert all(ratio + 3 < db < ratio + 10 for ratio, db in zip((25.0, 20.0, 15.0, 10.0, 5.0), at, strict=True))


@pytest.mark.parametrize("samples", [0, 319, 320, 16000])
def test_silence_and_next_to_nothing_stand_out_of_nothing(samples: int) -> None:
    nothing: Frames = np.zeros(samples, np.int16)
    assert over_noise_db(nothing) == 0
