"""Whether a word begins with a sibilant, "sell" and not "cull", told from its sound and not from what fits the grammar.

An /s/ is noise, most of it above 4 kHz, that lasts 60 ms and more until the vowel begins (Jongman et al. 2000,
"Acoustic characteristics of English fricatives"). Before the vowel of "cull" there are a closure and a burst between
1 and 3 kHz; the /f/ of "foam" is as strong below 3 kHz as above 4. The noise stage takes such first sounds away, so
what is left of them fits an /s/ as well as anything, and recognisers behind it are no witnesses.
"""

from __future__ import annotations

import numpy as np

from voicelog.values import SAMPLE_RATE, Frames

LEAST_SIBILANCE_DB = 8.0
"""From here on a word begins with a sibilant."""

_WINDOW = 256
_HOP = SAMPLE_RATE // 200
_HERTZ = np.fft.rfftfreq(_WINDOW, 1 / SAMPLE_RATE)
_VOWEL = (_HERTZ >= 200) & (_HERTZ < 1000)
_MIDDLE = (_HERTZ >= 1000) & (_HERTZ < 3000)
_HISS = (_HERTZ >= 4000) & (_HERTZ < 7800)

_LONG = 10
"""Hops, 5 ms each, over which the hiss is taken: an /s/ is longer, a burst shorter."""

_LAST = 4
"""Hops before the vowel by which it ends: what lies further off belongs to the word before ("yes, cull")."""

_EARLIER = 4
"""Hops that a word may begin before it was found to."""

_DEEP_DB = 12.0
"""So far below the middle of the vowel its beginning lies, in the band of its own."""

_LEAST_RISE_DB = 5.0
"""What a hiss stands out by from the middle level of its band: all else lies below 3 kHz, or is noise around."""

Powers = np.ndarray[tuple[int], np.dtype[np.float64]]


def begins_with_sibilant(raw: Frames, quiet: Frames, start_s: float, end_s: float) -> bool:
    """Whether the word from `start_s` to `end_s` surely begins with an /s/; the rest as for `sibilance`."""
    return sibilance(raw, quiet, start_s, end_s) >= LEAST_SIBILANCE_DB


def sibilance(raw: Frames, quiet: Frames, start_s: float, end_s: float) -> float:
    """By how many dB the sound right before the vowel of a word is stronger above 4 kHz than between 1 and 3.

    An utterance as it came (`raw`) and behind the noise stage (`quiet`), in step, shape (samples,), int16, 16 kHz;
    the word's place in seconds. The less of both counts: the one has the noise around in it, though its middle level is
    taken off, in the other whatever the stage made. -inf where no hiss stands out, or no vowel follows.
    """
    if len(quiet) < _WINDOW or len(raw) != len(quiet):
        return -np.inf
    vowel, middle, hiss = _powers(quiet, _VOWEL, _MIDDLE, _HISS)
    middle_raw, hiss_raw = _powers(raw, _MIDDLE, _HISS)
    first = max(0, round(start_s * SAMPLE_RATE / _HOP) - _EARLIER)
    word = vowel[first : round(end_s * SAMPLE_RATE / _HOP)]
    if not len(word):
        return -np.inf
    soft = np.flatnonzero(word[: int(word.argmax())] < word.max() * 10 ** (-_DEEP_DB / 10))
    if not len(soft):
        return -np.inf
    onset = first + int(soft[-1]) + 1
    usual, around, around_middle = np.median(hiss_raw), np.percentile(hiss_raw, 40), np.percentile(middle_raw, 25)
    best = -np.inf
    for end in range(max(onset - _LAST, first + _LONG), onset + 1):
        at = slice(end - _LONG, end)
        came, heard = _steady(hiss_raw[at]), _steady(hiss[at])
        if _db(came, usual) >= _LEAST_RISE_DB:
            as_it_came = _db(_without(came, around), _without(_steady(middle_raw[at]), around_middle))
            best = max(best, min(as_it_came, _db(heard, _steady(middle[at]))))
    return best


def _powers(sound: Frames, *bands: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[Powers]:
    """The mean power in each band of frequencies, by hop."""
    windows = np.lib.stride_tricks.sliding_window_view(sound, _WINDOW)[::_HOP] * np.hanning(_WINDOW)
    power = np.abs(np.fft.rfft(windows)) ** 2
    return [power[:, band].mean(1) for band in bands]


def _steady(power: Powers) -> float:
    """What half of it reaches: a click, or the end of the word before, may be far louder than the rest."""
    return float(np.median(power))


def _without(power: float, around: float) -> float:
    """Less that of what is around; a twentieth stays at the least."""
    return max(power - around, power / 20)


def _db(power: float, over: float) -> float:
    # One unit: that of a sound far below the least step of 16 bits.
    return float(10 * np.log10((power + 1) / (over + 1)))
