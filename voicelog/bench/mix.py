"""Speech over noise at a stated ratio."""

from __future__ import annotations

import numpy as np

from voicelog.bench.level import Samples, active_level, rms_db
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

LEAD_S = 0.5
"""Noise alone before and after the speech."""

HUSH_DB = -75.0
"""White noise of a good microphone under everything, dB over full scale: no recording has digital silence."""

_LOUDEST = 0.9
_LEAD = round(LEAD_S * SAMPLE_RATE)


def mixed_length(speech: Samples) -> int:
    """Samples of noise that `mix` needs for this speech."""
    return len(speech) + 2 * _LEAD


def mix(speech: Samples, noise: Samples, snr_db: float | None, level_db: float = -26.0) -> Frames:
    """Speech, with `LEAD_S` before and after, over as much of the noise, int16, 16 kHz mono.

    `snr_db`: active speech level (ITU-T P.56) less the noise's level over the whole stretch, in dB;
    None leaves the noise out. `level_db`: active speech level in dB over full scale; lower where the
    sum would clip. Raises VoicelogError for silent speech or noise, or noise too short.
    """
    length = mixed_length(speech)
    sound = np.pad(speech, _LEAD)
    spoken = active_level(sound)[0]
    if not np.isfinite(spoken):
        raise VoicelogError("there is no speech to mix: render it again")
    sound *= _gain(level_db - spoken)
    if snr_db is not None:
        loud = rms_db(noise[:length])
        if len(noise) < length or not np.isfinite(loud):
            raise VoicelogError("the noise is silent or shorter than the speech: render it again")
        sound += noise[:length] * _gain(level_db - snr_db - loud)
    sound += np.random.default_rng(length).normal(0, _gain(HUSH_DB), length)
    frames: Frames = np.rint(sound * min(1.0, _LOUDEST / np.abs(sound).max()) * 32768).astype(np.int16)
    return frames


def _gain(db: float) -> float:
    return float(10 ** (db / 20))
