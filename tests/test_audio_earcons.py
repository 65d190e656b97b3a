"""The three tones: no click, no clipping, told apart."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from voicelog.audio.earcons import earcon
from voicelog.values import Verdict

RATES = (16_000, 22_050, 48_000)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("verdict", Verdict)
def test_a_tone_is_short_soft_at_its_edges_and_12_db_below_full_scale(verdict: Verdict, rate: int) -> None:
    tone = earcon(verdict, rate).astype(int)
    assert 0.1 < len(tone) / rate < 0.5
    assert 20 * np.log10(np.abs(tone).max() / 32768) == pytest.approx(-12, abs=0.1)
    assert tone[0] == tone[-1] == 0
    # A millisecond from either end it is still 30 dB below its peak: it swells, it does not click.
    millisecond = rate // 1000
    assert np.abs(tone[:millisecond]).max() < 8231 / 30
    assert np.abs(tone[-millisecond:]).max() < 8231 / 30


def middle_pitch(sound: np.ndarray, rate: int) -> float:
    """The frequency that halves the power of a sound, in Hz."""
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 2**15)) ** 2
    return float(np.searchsorted(np.cumsum(spectrum), spectrum.sum() / 2) * rate / 2**15)


def test_accept_and_ask_rise_and_reject_is_low() -> None:
    for verdict in (Verdict.ACCEPT, Verdict.ASK):
        first, last = np.array_split(earcon(verdict, 16_000).astype(float), 2)
        assert middle_pitch(last, 16_000) > 1.2 * middle_pitch(first, 16_000)
    high = min(middle_pitch(earcon(verdict, 16_000), 16_000) for verdict in (Verdict.ACCEPT, Verdict.ASK))
    spectrum = np.abs(np.fft.rfft(earcon(Verdict.REJECT, 16_000), 2**15))
    assert np.argmax(spectrum) * 16_000 / 2**15 == pytest.approx(130.8, abs=3)
    assert high > 500


def test_ask_has_two_notes_with_a_pause_between() -> None:
    tone = np.abs(earcon(Verdict.ASK, 16_000).astype(int))
    loud = np.array([tone[at : at + 160].max() > 1000 for at in range(0, len(tone) - 159, 160)])
    assert [bool(is_loud) for is_loud, _ in itertools.groupby(loud)].count(True) == 2


def test_no_two_tones_are_alike() -> None:
    tones = [earcon(verdict, 16_000).astype(float) for verdict in Verdict]
    size = 2 * max(len(tone) for tone in tones)
    for one, other in itertools.combinations(tones, 2):
        crossed = np.fft.irfft(np.fft.rfft(one, size) * np.conj(np.fft.rfft(other, size)), size)
        assert np.abs(crossed).max() < 0.5 * np.linalg.norm(one) * np.linalg.norm(other)
