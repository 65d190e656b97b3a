"""A natural voice: a Piper voice file, spoken by the optional package `piper-tts`."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import numpy as np

from voicelog.audio.voice.spoken import KEPT_PHRASES, Spoken
from voicelog.values import VoicelogError


class PiperVoice:
    """The voice of a Piper file, such as en_US-joe-medium.onnx with its .onnx.json beside it.

    Raises VoicelogError when the file, its description or `piper-tts` is missing or broken.
    """

    def __init__(self, model: Path, speed: float = 1.0) -> None:
        self._voice = _load(model)
        self._speed = speed
        self.name = f"piper {model.stem}"
        self.rate: int = self._voice.config.sample_rate
        self.say = functools.lru_cache(KEPT_PHRASES)(self._say)

    def _say(self, text: str) -> Spoken:
        from piper import SynthesisConfig

        pace = SynthesisConfig(length_scale=self._voice.config.length_scale / self._speed)
        sentences = [sentence.audio_int16_array for sentence in self._voice.synthesize(text, pace)]
        sound = np.concatenate([np.zeros(0, np.int16), *sentences])
        sound.flags.writeable = False
        return sound


def _load(model: Path) -> Any:
    description = model.with_name(model.name + ".json")
    for file in (model, description):
        if not file.is_file():
            raise VoicelogError(f"voice file {file} is not there: a Piper voice is an .onnx and its .onnx.json")
    try:
        import piper
    except ImportError as problem:
        raise VoicelogError(f"the voice {model.name} needs piper-tts: pip install piper-tts") from problem
    try:
        return piper.PiperVoice.load(model, description)
    except Exception as problem:  # The network library has no common class for the errors of a broken file.
        raise VoicelogError(f"{model} is no Piper voice, or a broken one: download both its files again") from problem
