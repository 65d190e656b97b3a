"""Whether there is a voice in a sound: words have vowels, and coughs, knocks and scrapes have none.

A recogniser of a few words presses any sound onto one of them: of 40 made bursts of noise most came out as a lone
"hen" or "keep", many as surely as the word itself.
"""

from __future__ import annotations

import numpy as np

from voicelog.values import SAMPLE_RATE, Frames

_WINDOW = round(0.04 * SAMPLE_RATE)
_HOP = SAMPLE_RATE // 100
_LAGS = slice(SAMPLE_RATE // 400, SAMPLE_RATE // 80)
"""Periods of voices: 80 to 400 Hz."""

_PRE_EMPHASIS = 0.9
"""Against low knocks and hum, whose few waves look like a voice's."""

_DEEPEST_DB = 25.0
"""Windows so far below the loudest are left out."""

_BEST = 8
"""Windows, 10 ms apart: the vowel of the shortest word lasts longer."""

_AT_ONCE = 32
"""Windows looked at until there is enough voice: of a long call all of them took 20 ms."""

LEAST_VOICED = 0.68
"""Behind DeepFilterNet3, 40 made bursts of noise had 0.19 to 0.63; 60 words and short phrases of fitted voices, clean
to 10 dB, 0.74 to 1.0."""


def voicing(frames: Frames, enough: float = np.inf) -> float:
    """How periodic the most periodic tenth of a second is, from 0 for none to 1; shape (samples,), int16, 16 kHz.
    Where that is `enough` or more, it may be told too low, but never below.

    Autocorrelation at the lags of a voice, less the window's own (Boersma 1993, "Accurate short-term analysis of
    the fundamental frequency and the harmonics-to-noise ratio of a sampled sound").
    """
    if len(frames) < _WINDOW:
        return 0.0
    sound = frames.astype(np.float64)
    sound[1:] -= _PRE_EMPHASIS * sound[:-1]
    window = np.hanning(_WINDOW)
    pieces = np.lib.stride_tricks.sliding_window_view(sound, _WINDOW)[::_HOP]
    pieces = (pieces - pieces.mean(1, keepdims=True)) * window
    power = np.einsum("ij,ij->i", pieces, pieces)
    loud = power > max(power.max() * 10 ** (-_DEEPEST_DB / 10), 1e-9)
    of_window = _autocorrelation(window[None])[0]
    best = np.zeros(0)
    # The loudest are vowels, where there is one.
    loudest = (-power).argsort()[: np.count_nonzero(loud)]
    for some in np.array_split(loudest, range(_AT_ONCE, len(loudest), _AT_ONCE)):
        periodic = _autocorrelation(pieces[some])[:, _LAGS] / power[some, None] / (of_window[_LAGS] / of_window[0])
        best = np.sort(np.concatenate((best, periodic.max(1))))[-_BEST:]
        if len(best) == _BEST and best.mean() >= enough:
            break
    return float(best.mean()) if len(best) else 0.0


def has_voice(frames: Frames) -> bool:
    """Whether an utterance behind noise suppression, shape (samples,), int16, 16 kHz, has a voice in it."""
    return voicing(frames, LEAST_VOICED) >= LEAST_VOICED


def _autocorrelation(
    rows: np.ndarray[tuple[int, int], np.dtype[np.float64]],
) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    spectrum = np.fft.rfft(rows, 2 * _WINDOW)
    found: np.ndarray[tuple[int, int], np.dtype[np.float64]] = np.fft.irfft(np.abs(spectrum) ** 2)
    return found
