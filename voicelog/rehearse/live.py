"""Prompting and recording by turns: the microphone is closed while the voice speaks."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from voicelog.audio import Cutter, Speaker, Voice, amplify
from voicelog.audio.devices import load_sounddevice
from voicelog.rehearse.prompts import Words
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

LONGEST_S = 15.0
"""How long a prompt is waited for."""

GAINS_DB = (0.0, 15.0, 30.0)
"""How much louder than it comes the sound is listened to, one time after the other: a faint voice is no silence."""

_BLOCK = SAMPLE_RATE // 50


class Ear(Protocol):
    """See `Microphone`."""

    def record(self, gain_db: float) -> Frames | None: ...


class Microphone:
    """Records one utterance at a time. Raises VoicelogError where there is no PortAudio or no input."""

    def __init__(self) -> None:
        self._sounddevice = load_sounddevice()
        try:
            self._sounddevice.check_input_settings(channels=1, dtype="int16", samplerate=SAMPLE_RATE)
        except (ValueError, self._sounddevice.PortAudioError) as problem:
            raise VoicelogError(
                f"no microphone that records at 16 kHz ({problem}): connect one, or give recordings with --from"
            ) from problem

    def record(self, gain_db: float) -> Frames | None:
        """All sound until an utterance is over, shape (samples,), int16, 16 kHz, as it came.

        None where nobody spoke, listening `gain_db` louder than it came.
        """
        cutter, blocks = Cutter(), []
        try:
            with self._sounddevice.InputStream(SAMPLE_RATE, _BLOCK, channels=1, dtype="int16") as stream:
                for _ in range(int(LONGEST_S * SAMPLE_RATE / _BLOCK)):
                    block = stream.read(_BLOCK)[0][:, 0].copy()
                    blocks.append(block)
                    if cutter.feed(amplify(block, gain_db)):
                        return np.concatenate(blocks)
        except self._sounddevice.PortAudioError as problem:
            raise VoicelogError(f"the microphone failed ({problem}): check that it is connected") from problem
        return np.concatenate(blocks) if cutter.flush() else None


def ask_for(prompt: Words, microphone: Ear, voice: Voice | None, speaker: Speaker) -> Frames:
    """Says the prompt, then records it; where nothing came again, listening harder.

    Raises VoicelogError after the last time.
    """
    for gain_db in GAINS_DB:
        if voice is not None:
            speaker.play(voice.say(" ".join(prompt)), voice.rate)
        recorded = microphone.record(gain_db)
        if recorded is not None:
            return recorded
    raise VoicelogError("nobody spoke; check that the right microphone is on, then begin again")
