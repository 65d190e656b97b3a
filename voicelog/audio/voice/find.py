"""The voice that a setting names."""

from __future__ import annotations

from pathlib import Path

from voicelog.audio.voice.espeak import EspeakVoice
from voicelog.audio.voice.piper import PiperVoice
from voicelog.audio.voice.spoken import Voice
from voicelog.values import expanded

DEFAULT_VOICE = "en-us"
WORDS_A_MINUTE = 165


def find_voice(setting: str = DEFAULT_VOICE, speed: float = 1.0) -> Voice:
    """The voice for a setting: the path of a Piper voice (it ends in .onnx), or a voice name of espeak-ng.

    `speed` is how much faster than its usual pace it speaks.

    Raises VoicelogError when that voice cannot be had.
    """
    if setting.endswith(".onnx"):
        return PiperVoice(expanded(Path(setting)), speed)
    return EspeakVoice(setting, round(WORDS_A_MINUTE * speed))
