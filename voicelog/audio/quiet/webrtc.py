"""The noise suppressor of WebRTC, from the wheel `webrtc-noise-gain` (none for Windows)."""

from __future__ import annotations

from types import ModuleType

import numpy as np

from voicelog.audio.files import Floats, to_int16
from voicelog.values import SAMPLE_RATE


class WebRtc:
    """A `Denoiser`. `level` runs from 1 (mild) to 4 (strong)."""

    rate = SAMPLE_RATE
    frame_length = 160
    delay = 96
    """The overlap of its 256-sample window over 160-sample frames; checked in the tests."""
    warm_up_s = 0.0

    def __init__(self, level: int = 4) -> None:
        self._processor = load().AudioProcessor(0, level)

    def process(self, frame: Floats) -> Floats:
        quiet = self._processor.Process10ms(to_int16(frame).tobytes()).audio
        return np.frombuffer(quiet, np.int16).astype(np.float32) / 32768.0


def load() -> ModuleType:
    """The library's module. Raises ImportError where it is not there."""
    import webrtc_noise_gain

    module: ModuleType = webrtc_noise_gain
    return module
