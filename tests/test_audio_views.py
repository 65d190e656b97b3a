"""What a recogniser is given of an utterance: the loud span, and everything around it turned down."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from voicelog.audio.views import MIXED_IN, TURNED_DOWN, loud_span, views_of
from voicelog.values import SAMPLE_RATE, Frames


def sound(levels_db: list[tuple[float, float]], seed: int = 1) -> Frames:
    """White noise in stretches of (seconds, dB below full scale)."""
    noise = np.random.default_rng(seed)
    parts = [noise.normal(0, 32768 * 10 ** (db / 20), round(s * SAMPLE_RATE)) for s, db in levels_db]
    return np.clip(np.concatenate(parts), -32768, 32767).astype(np.int16)


def level_db(frames: Frames) -> float:
    return float(10 * np.log10(np.mean(frames.astype(np.float64) ** 2) / 32768**2 + 1e-12))


def test_the_loud_span_is_the_speech() -> None:
    first, last = loud_span(sound([(1.0, -50), (1.5, -20), (1.0, -50)]))
    assert abs(first / SAMPLE_RATE - 1.0) < 0.05
    assert abs(last / SAMPLE_RATE - 2.5) < 0.05


def test_a_click_is_not_speech() -> None:
    first, _ = loud_span(sound([(0.5, -50), (0.02, -15), (1.0, -50), (1.5, -20), (0.5, -50)]))
    assert abs(first / SAMPLE_RATE - 1.52) < 0.05


def test_what_stands_around_is_turned_down_and_the_speech_is_not() -> None:
    frames = sound([(1.0, -35), (1.5, -20), (1.0, -35)])
    view, last = views_of(frames)
    assert len(view) == len(last) < len(frames)
    assert bytes(last) in bytes(frames)
    assert abs(level_db(view[: SAMPLE_RATE // 5]) - (-35 + 20 * np.log10(TURNED_DOWN))) < 1
    middle = len(view) // 2
    assert abs(level_db(view[middle - 4000 : middle + 4000]) + 20) < 0.5


def test_the_second_view_has_some_of_the_sound_as_it_came_and_the_last_is_that() -> None:
    quiet, raw = sound([(0.6, -50), (1.0, -20), (0.6, -50)]), sound([(2.2, -20)], seed=2)
    first, second, last = views_of(quiet, raw)
    assert len(first) == len(second) == len(last)
    assert bytes(last) in bytes(raw)
    mixed_in = (second.astype(float) - (1 - MIXED_IN) * first).std() / raw.std()
    assert 0.3 * MIXED_IN < mixed_in < 1.05 * MIXED_IN


@settings(max_examples=60)
@given(arrays(np.int16, st.integers(0, 20_000), elements=st.integers(-32768, 32767)))
def test_any_sound_gives_views_of_one_length_no_longer_than_it(frames: Frames) -> None:
    first, last = loud_span(frames)
    assert 0 <= first <= last <= len(frames)
    for views in (views_of(frames), views_of(frames, frames)):
        assert {len(view) for view in views} == {len(views[0])}
        assert len(views[0]) <= len(frames)
