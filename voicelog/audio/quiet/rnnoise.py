"""RNNoise, a small recurrent network for speech, from the wheel `pyrnnoise`.

Valin 2018, "A Hybrid DSP/Deep Learning Approach to Real-Time Full-Band Speech Enhancement".
"""

from __future__ import annotations

import ctypes
import functools
import importlib.util
import sys
import weakref
from pathlib import Path

import numpy as np

from voicelog.audio.files import Floats

_FLOATS = ctypes.POINTER(ctypes.c_float)
_INT16_SCALE = np.float32(32768.0)


class RnNoise:
    """A `Denoiser`."""

    rate = 48_000
    frame_length = 480
    delay = 960
    """One frame of overlap-add and one of look-ahead; found by cross-correlation, see the tests."""
    warm_up_s = 0.0

    def __init__(self) -> None:
        self._library = load()
        self._state = self._library.rnnoise_create(None)
        weakref.finalize(self, self._library.rnnoise_destroy, self._state)

    def process(self, frame: Floats) -> Floats:
        scaled = np.ascontiguousarray(frame * _INT16_SCALE, dtype=np.float32)
        quiet = np.empty_like(scaled)
        self._library.rnnoise_process_frame(self._state, quiet.ctypes.data_as(_FLOATS), scaled.ctypes.data_as(_FLOATS))
        return quiet / _INT16_SCALE


@functools.cache
def load() -> ctypes.CDLL:
    """The library, its functions declared.

    The wheel's own Python module is passed by: it imports a video library, which takes a second.

    Raises ImportError or OSError where the library is not there or does not load.
    """
    package = importlib.util.find_spec("pyrnnoise")
    if package is None or package.origin is None:
        raise ImportError("pyrnnoise")
    name = {"darwin": "librnnoise.dylib", "win32": "rnnoise.dll"}.get(sys.platform, "librnnoise.so")
    library = ctypes.CDLL(str(Path(package.origin).with_name(name)))
    library.rnnoise_create.argtypes = [ctypes.c_void_p]
    library.rnnoise_create.restype = ctypes.c_void_p
    library.rnnoise_process_frame.argtypes = [ctypes.c_void_p, _FLOATS, _FLOATS]
    library.rnnoise_process_frame.restype = ctypes.c_float
    library.rnnoise_destroy.argtypes = [ctypes.c_void_p]
    library.rnnoise_destroy.restype = None
    return library
