"""Cutting a stream into utterances, on speech that espeak-ng makes for the test."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st

from voicelog.audio.endpoint import Clip, CutSettings, Cutter, cut
from voicelog.audio.files import to_int16
from voicelog.audio.quiet import make_stage
from voicelog.audio.voice import EspeakVoice
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

PHRASES = ("band four two male", "hen", "four hundred ten grams", "no", "band one oh seven unsure foam yes")


@dataclass(frozen=True)
class Said:
    """A stream in which phrases are said; `spans` are the first and last second of each."""

    frames: Frames
    spans: tuple[tuple[float, float], ...]


def silence(length_s: float) -> Frames:
    return np.zeros(round(length_s * SAMPLE_RATE), np.int16)


def spoken(text: str) -> Frames:
    """A phrase without the silence around it, at the level of a close microphone."""
    voice = EspeakVoice()
    sound = soxr.resample(voice.say(text), voice.rate, SAMPLE_RATE).astype(np.float64)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    sound = sound[loud[0] : loud[-1] + 1]
    return to_int16(sound * (0.05 / np.sqrt(np.mean(sound**2))))


def pink(length: int, level: float) -> Frames:
    """Pink noise with an effective value of `level` of full scale."""
    spectrum = np.fft.rfft(np.random.default_rng(11).standard_normal(length))
    spectrum /= np.sqrt(np.maximum(np.arange(len(spectrum)), 1))
    noise = np.fft.irfft(spectrum, length)
    return to_int16(noise * (level / noise.std()))


@pytest.fixture(scope="module")
def said() -> Said:
    pieces, spans, now = [silence(1.0)], [], 1.0
    for phrase in PHRASES:
        sound = spoken(phrase)
        spans.append((now, now + len(sound) / SAMPLE_RATE))
        pieces += [sound, silence(1.2)]
        now = spans[-1][1] + 1.2
    return Said(np.concatenate(pieces), tuple(spans))


def over_noise(said: Said, level: float) -> Frames:
    return said.frames + pink(len(said.frames), level)


def in_blocks(frames: Frames, length: int = 5000) -> Iterator[Frames]:
    return (frames[at : at + length] for at in range(0, len(frames), length))


def assert_each_phrase_is_one_whole_clip(clips: list[Clip], said: Said) -> None:
    assert len(clips) == len(said.spans)
    for clip, (start_s, end_s) in zip(clips, said.spans, strict=True):
        assert clip.start_s <= start_s - 0.1
        assert clip.end_s >= end_s
        assert not clip.cut_short


@pytest.mark.parametrize("noise", [0.0, 0.005, 0.016], ids=["clean", "20 dB", "10 dB"])
def test_each_phrase_is_one_clip_and_nothing_of_it_is_lost(said: Said, noise: float) -> None:
    assert_each_phrase_is_one_whole_clip(list(cut(in_blocks(over_noise(said, noise)))), said)


def test_phrases_are_found_behind_the_noise_stage_in_loud_noise(said: Said) -> None:
    stage = make_stage("deepfilter")
    noisy = over_noise(said, 0.028)  # 5 dB below the speech
    quiet = [stage.feed(block) for block in in_blocks(noisy)]
    assert_each_phrase_is_one_whole_clip(list(cut([*quiet, stage.flush()])), said)


def test_a_clip_is_the_sound_of_its_times(said: Said) -> None:
    noisy = over_noise(said, 0.005)
    for clip in cut(in_blocks(noisy)):
        start, end = round(clip.start_s * SAMPLE_RATE), round(clip.end_s * SAMPLE_RATE)
        assert np.array_equal(clip.frames, noisy[start:end])


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(0, 90_000), max_size=12))
def test_how_the_stream_is_split_makes_no_difference(said: Said, marks: list[int]) -> None:
    blocks = np.split(said.frames, sorted(mark for mark in marks if mark < len(said.frames)))
    in_one = list(cut([said.frames]))
    in_pieces = list(cut(blocks))
    assert [(c.start_s, c.end_s, c.cut_short) for c in in_pieces] == [(c.start_s, c.end_s, c.cut_short) for c in in_one]
    assert all(np.array_equal(a.frames, b.frames) for a, b in zip(in_pieces, in_one, strict=True))


def test_a_clip_comes_as_soon_as_the_closing_silence_is_over(said: Said) -> None:
    cutter = Cutter()
    end = round((said.spans[0][1] + 0.7) * SAMPLE_RATE)
    assert len([clip for block in in_blocks(said.frames[:end], 160) for clip in cutter.feed(block)]) == 1


def test_speech_at_the_very_start_and_end_of_a_stream_is_whole() -> None:
    sound = spoken("band four two male")
    (clip,) = cut([sound])
    assert clip.start_s == 0.0
    assert np.array_equal(clip.frames, sound)


def test_no_sound_is_in_two_clips() -> None:
    """The padding after one utterance and before the next is longer than the gap that parts them."""
    first, second = cut([silence(0.5), spoken("male"), silence(0.65), spoken("male"), silence(1.0)])
    assert first.end_s <= second.start_s


def test_after_flush_a_cutter_begins_a_new_stream(said: Said) -> None:
    cutter = Cutter()
    first = cutter.feed(said.frames[:40_000]) + cutter.flush()
    second = cutter.feed(said.frames[:40_000]) + cutter.flush()
    assert first
    assert [clip.start_s for clip in second] == [clip.start_s for clip in first]


def test_speech_without_end_comes_in_pieces_that_say_so() -> None:
    talk = np.concatenate([silence(0.5), *[spoken("male foam yes band four two")] * 4, silence(1.0)])
    clips = list(cut(in_blocks(talk), CutSettings(longest_s=2.5)))
    assert len(clips) >= 2
    assert all(clip.cut_short for clip in clips)
    assert max(clip.end_s - clip.start_s for clip in clips) <= 2.5
    for before, after in pairwise(clips):
        assert after.start_s == before.end_s


def test_the_utterance_after_endless_speech_is_whole_again(said: Said) -> None:
    talk = [spoken("male foam yes band four two")] * 4
    clips = list(cut([silence(0.5), *talk, said.frames], CutSettings(longest_s=4.0)))
    assert clips[0].cut_short
    assert [clip.cut_short for clip in clips[-len(PHRASES) :]] == [False] * len(PHRASES)


@pytest.mark.parametrize(
    "sound",
    [silence(0.0), silence(3.0), pink(20 * SAMPLE_RATE, 0.005), pink(20 * SAMPLE_RATE, 0.016)],
    ids=["nothing", "silence", "quiet noise", "noise"],
)
def test_what_is_no_speech_gives_no_clip(sound: Frames) -> None:
    assert list(cut(in_blocks(sound))) == []


def test_a_knock_gives_no_clip() -> None:
    sound = pink(5 * SAMPLE_RATE, 0.002).astype(np.float64)
    fading = np.exp(-np.arange(640) / 80)  # gone in 20 ms, as the click of a latch
    sound[32_000:32_640] += 8000 * fading * np.random.default_rng(5).standard_normal(640)
    assert list(cut(in_blocks(sound.astype(np.int16)))) == []


@pytest.mark.parametrize(
    "wrong",
    [{"after_s": 0.9}, {"before_s": -0.1}, {"shortest_s": 0.0}, {"longest_s": 1.0}],
)
def test_settings_that_make_no_sense_are_told(wrong: dict[str, float]) -> None:
    with pytest.raises(VoicelogError, match="cutting"):
        CutSettings(**wrong)
