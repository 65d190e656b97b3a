"""What a recogniser is given of one utterance: views of its sound, with what stands around the speech turned down.

Noise suppression leaves other people's talk in and takes weak consonants out.
Against the first, everything before and after the handler's own, louder speech
is turned down: before that, talk at 15 dB below was taken for words at the start
of the call in 15 of 16 trial calls, after it in 2. Against the second there is a
second view, with a little of the sound as it came mixed in: it lost fewer calls
at 20 dB, the first fewer at 10 dB. The last is the sound as it came, for a listener
that was trained on noise.
"""

from __future__ import annotations

import numpy as np

from voicelog.values import SAMPLE_RATE, Frames

MIXED_IN = 0.1
"""Share of the sound as it came in the second view."""

TURNED_DOWN = 0.1
"""Gain of what stands around the speech. Not zero: the model was trained on sound with a floor."""

_HOP = SAMPLE_RATE // 100
_WINDOW = 3 * _HOP
_SUSTAINED = 5
"""Hops, 10 ms each, that speech lasts at the least; a click is shorter."""

_KEPT_BEFORE = round(0.08 * SAMPLE_RATE)
_KEPT_AFTER = round(0.15 * SAMPLE_RATE)
"""Soft first and last sounds lie outside the loud span; the last consonants are longer."""

_LEFT_BEFORE = round(0.4 * SAMPLE_RATE)
_LEFT_AFTER = round(0.45 * SAMPLE_RATE)
"""Sound left standing, turned down, around the loud span."""

_FADE = _HOP * 5
_DEEPEST_DB = 25.0
"""The span goes this far below the loud speech at most, however quiet the floor."""


def views_of(quiet: Frames, raw: Frames | None = None) -> tuple[Frames, ...]:
    """The views of one utterance, most trusted first, the sound as it came last, all of one length.

    `quiet` is its sound behind noise suppression, `raw` as it came and in step
    with it, None where there is no suppression; shape (samples,), int16, 16 kHz.
    Two views without suppression, three with it.
    """
    if not len(quiet):
        return (quiet, quiet) if raw is None else (quiet, quiet, raw)
    first, last = loud_span(quiet)
    gain = np.full(len(quiet), TURNED_DOWN)
    gain[max(0, first - _KEPT_BEFORE) : last + _KEPT_AFTER] = 1.0
    padded = np.pad(gain, _FADE // 2, mode="edge")
    sums = np.cumsum(np.concatenate([[0.0], padded]))
    gain = (sums[_FADE:] - sums[:-_FADE])[: len(quiet)] / _FADE
    part = slice(max(0, first - _LEFT_BEFORE), last + _LEFT_AFTER)
    views = [quiet.astype(np.float64)]
    if raw is not None:
        views.append((1 - MIXED_IN) * quiet + MIXED_IN * raw.astype(np.float64))
    turned = [np.clip(view[part] * gain[part], -32768, 32767).astype(np.int16) for view in views]
    return (*turned, (quiet if raw is None else raw)[part])


def loud_span(frames: Frames) -> tuple[int, int]:
    """Where the loud part of an utterance begins and ends, in samples; all of it where nothing stands out.

    Loud is what lies above the middle, in dB, between the floor (15th percentile
    of the level in 30 ms) and the speech (95th).
    """
    if len(frames) < _WINDOW:
        return 0, len(frames)
    power = np.concatenate([[0.0], np.cumsum(frames.astype(np.float64) ** 2)])
    level = 10 * np.log10((power[_WINDOW::_HOP] - power[:-_WINDOW:_HOP]) / _WINDOW + 1)
    floor, speech = np.percentile(level, [15, 95])
    loud = level > max((floor + speech) / 2, speech - _DEEPEST_DB)
    runs = np.convolve(loud, np.ones(_SUSTAINED), "valid") >= _SUSTAINED
    hops = np.flatnonzero(runs)
    if not len(hops):
        return 0, len(frames)
    return int(hops[0]) * _HOP, min(len(frames), (int(hops[-1]) + _SUSTAINED - 1) * _HOP + _WINDOW)
