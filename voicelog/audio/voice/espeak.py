"""The formant voice of espeak-ng, from the library inside the wheel `espeakng-loader`.

The C interface is that of espeak-ng's `speak_lib.h`, revision 12.
"""

from __future__ import annotations

import ctypes
import functools
import os
import threading

import numpy as np

from voicelog.audio.voice.spoken import KEPT_PHRASES, Spoken
from voicelog.values import VoicelogError

_SYNCHRONOUS = 2  # AUDIO_OUTPUT_SYNCHRONOUS: sound comes through the callback before espeak_Synth returns.
_DO_NOT_EXIT = 0x8000  # espeakINITIALIZE_DONT_EXIT: report missing data, do not end the process.
_UTF8 = 1  # espeakCHARS_UTF8
_WORDS_A_MINUTE = 1  # espeakRATE
_LONGEST_DATA_PATH = 150  # The library holds its data path in a buffer of 160 bytes, and cuts it silently.

_Samples = ctypes.POINTER(ctypes.c_short)
_Callback = ctypes.CFUNCTYPE(ctypes.c_int, _Samples, ctypes.c_int, ctypes.c_void_p)

_lock = threading.Lock()  # The library is one for the process and holds one voice at a time.


class EspeakVoice:
    """A voice of espeak-ng by its name, such as "en-us" or "en-gb".

    `words_a_minute` runs from 80 to 450. Any thread may call `say`.

    Raises VoicelogError when the library is not installed, does not start, or
    has no such voice.
    """

    def __init__(self, voice: str = "en-us", words_a_minute: int = 165) -> None:
        if not 80 <= words_a_minute <= 450:
            raise VoicelogError(f"{words_a_minute} words a minute: give 80 to 450")
        self._library, self.rate = _library()
        self._voice = voice.encode()
        self._words_a_minute = words_a_minute
        self.name = f"espeak-ng {voice}"
        self.say = functools.lru_cache(KEPT_PHRASES)(self._say)
        with _lock:
            self._choose()

    def _say(self, text: str) -> Spoken:
        pieces: list[Spoken] = []

        def take(samples: ctypes._Pointer[ctypes.c_short], count: int, _events: int | None) -> int:
            if samples and count > 0:
                pieces.append(np.ctypeslib.as_array(samples, (count,)).copy())
            return 0

        callback = _Callback(take)  # Held here while the library calls it.
        spoken = text.encode() + b"\0"
        with _lock:
            self._choose()
            self._library.espeak_SetSynthCallback(callback)
            failed = self._library.espeak_Synth(spoken, len(spoken), 0, 0, 0, _UTF8, None, None)
        if failed:
            raise VoicelogError(f"espeak-ng cannot say {text!r} (error {failed}): choose another voice")
        sound = np.concatenate([np.zeros(0, np.int16), *pieces])
        sound.flags.writeable = False
        return sound

    def _choose(self) -> None:
        # As espeak-ng's own command does: a voice of that name, else the voice for that language.
        language = _VoiceWanted(languages=self._voice)
        if self._library.espeak_SetVoiceByName(self._voice) and self._library.espeak_SetVoiceByProperties(
            ctypes.byref(language)
        ):
            raise VoicelogError(
                f"espeak-ng has no voice {self._voice.decode()}: give a language such as en-us or en-gb"
            )
        self._library.espeak_SetParameter(_WORDS_A_MINUTE, self._words_a_minute, 0)


class _VoiceWanted(ctypes.Structure):
    """espeak_VOICE"""

    _fields_ = (
        ("name", ctypes.c_char_p),
        ("languages", ctypes.c_char_p),
        ("identifier", ctypes.c_char_p),
        ("gender", ctypes.c_ubyte),
        ("age", ctypes.c_ubyte),
        ("variant", ctypes.c_ubyte),
        ("xx1", ctypes.c_ubyte),
        ("score", ctypes.c_int),
        ("spare", ctypes.c_void_p),
    )


@functools.cache
def _library() -> tuple[ctypes.CDLL, int]:
    """The library, started, and the rate of its sound in Hz."""
    try:
        from espeakng_loader import get_data_path, get_library_path

        library = ctypes.CDLL(get_library_path())
        data = get_data_path()
    except ImportError as problem:
        raise VoicelogError("the voice espeak-ng is not installed: pip install espeakng-loader") from problem
    except (OSError, RuntimeError) as problem:
        raise VoicelogError(f"espeak-ng does not load ({problem}): reinstall espeakng-loader") from problem
    if len(os.fsencode(data)) > _LONGEST_DATA_PATH:
        raise VoicelogError(f"espeak-ng cannot find its data in so long a path: install higher up than {data}")
    library.espeak_Initialize.argtypes = [ctypes.c_int, ctypes.c_int, ctypes.c_char_p, ctypes.c_int]
    library.espeak_SetSynthCallback.argtypes = [_Callback]
    library.espeak_SetSynthCallback.restype = None
    library.espeak_SetVoiceByName.argtypes = [ctypes.c_char_p]
    library.espeak_SetVoiceByProperties.argtypes = [ctypes.POINTER(_VoiceWanted)]
    library.espeak_SetParameter.argtypes = [ctypes.c_int, ctypes.c_int, ctypes.c_int]
    library.espeak_Synth.argtypes = [
        *(ctypes.c_char_p, ctypes.c_size_t),  # text and its size
        *(ctypes.c_uint, ctypes.c_int, ctypes.c_uint),  # from where to where
        *(ctypes.c_uint, ctypes.c_void_p, ctypes.c_void_p),  # flags, identifier, user data
    ]
    rate = int(library.espeak_Initialize(_SYNCHRONOUS, 0, os.fsencode(data), _DO_NOT_EXIT))
    if rate <= 0:
        raise VoicelogError("espeak-ng does not start: reinstall espeakng-loader")
    return library, rate
