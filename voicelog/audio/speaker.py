"""Where spoken replies and earcons go: the sound device, a WAV file, or nowhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol

import numpy as np

from voicelog.audio.devices import load_sounddevice
from voicelog.audio.files import to_int16
from voicelog.audio.voice.spoken import Spoken
from voicelog.values import VoicelogError


class Speaker(Protocol):
    """Plays sound, shape (samples,), int16, mono, at `rate` Hz.

    `at_s` is where on the session's time line the sound begins; a speaker that
    plays at once has no use for it. `play` returns when the sound is over.
    """

    def play(self, sound: Spoken, rate: int, at_s: float | None = None) -> None: ...

    def close(self) -> None: ...


class SilentSpeaker:
    """Plays nothing."""

    def play(self, sound: Spoken, rate: int, at_s: float | None = None) -> None:
        pass

    def close(self) -> None:
        pass


class DeviceSpeaker:
    """Plays through a sound device, by its name or number, or the system's own choice.

    Raises VoicelogError when there is no sound library or no such device that plays.
    """

    def __init__(self, device: str | int | None = None) -> None:
        self._sounddevice = load_sounddevice()
        self._device = device
        try:
            self._sounddevice.check_output_settings(device=device, channels=1, dtype="int16")
        except (ValueError, self._sounddevice.PortAudioError) as problem:
            raise VoicelogError(f"no sound device to play through ({problem}): connect or name another") from problem

    def play(self, sound: Spoken, rate: int, at_s: float | None = None) -> None:
        """Raises VoicelogError when the device fails, as when it was unplugged."""
        try:
            self._sounddevice.play(sound, rate, device=self._device, blocking=True)
        except (ValueError, self._sounddevice.PortAudioError) as problem:
            raise VoicelogError(f"the sound device failed ({problem}): check that it is connected") from problem

    def close(self) -> None:
        self._sounddevice.stop()


class WavSpeaker:
    """Writes all that is played into one WAV file, mono, 16 bit, at `rate` Hz.

    A sound with `at_s` begins there, or right after the one before where that is
    still going on; a sound without follows the one before.

    Raises VoicelogError when the file cannot be written.
    """

    def __init__(self, path: Path, rate: int = 22_050) -> None:
        import soundfile

        self._path = path
        self._rate = rate
        self._written = 0
        try:
            self._file: Any = soundfile.SoundFile(
                path, "w", samplerate=rate, channels=1, format="WAV", subtype="PCM_16"
            )
        except (OSError, soundfile.LibsndfileError) as problem:
            raise VoicelogError(f"{path} cannot be written: give a WAV in a folder that is there") from problem

    def play(self, sound: Spoken, rate: int, at_s: float | None = None) -> None:
        if at_s is not None:
            self._write(np.zeros(max(0, round(at_s * self._rate) - self._written), np.int16))
        self._write(_at_rate(sound, rate, self._rate))

    def close(self) -> None:
        self._file.close()

    def _write(self, sound: Spoken) -> None:
        self._file.write(sound)
        self._written += len(sound)


def open_speaker(device: str | int | None = None) -> tuple[Speaker, str | None]:
    """A speaker that plays, or else a silent one and the reason, to be told once."""
    try:
        return DeviceSpeaker(device), None
    except VoicelogError as reason:
        return SilentSpeaker(), str(reason)


def _at_rate(sound: Spoken, rate: int, to_rate: int) -> Spoken:
    if rate == to_rate:
        return sound

    import soxr

    return to_int16(soxr.resample(sound.astype(np.float32) / 32768.0, rate, to_rate))
