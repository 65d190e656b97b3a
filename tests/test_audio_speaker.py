"""Playing: into a WAV, through a real PortAudio into a file, and where there is nothing to play through."""

from __future__ import annotations

import builtins
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from voicelog.audio.devices import sound_devices
from voicelog.audio.speaker import DeviceSpeaker, SilentSpeaker, WavSpeaker, open_speaker
from voicelog.values import VoicelogError

RATE = 22_050
SOUND = (8000 * np.sin(2 * np.pi * 440 * np.arange(RATE // 2) / RATE)).astype(np.int16)


def test_what_is_played_one_after_the_other_is_written_so(tmp_path: Path) -> None:
    speaker = WavSpeaker(tmp_path / "said.wav", RATE)
    speaker.play(SOUND, RATE)
    speaker.play(-SOUND, RATE)
    speaker.close()
    written, rate = soundfile.read(tmp_path / "said.wav", dtype="int16")
    assert rate == RATE
    assert np.array_equal(written, np.concatenate([SOUND, -SOUND]))


def test_a_sound_with_a_time_is_laid_there_and_never_over_another(tmp_path: Path) -> None:
    speaker = WavSpeaker(tmp_path / "said.wav", RATE)
    speaker.play(SOUND, RATE, at_s=2.0)
    speaker.play(SOUND, RATE, at_s=2.1)
    speaker.close()
    written, _ = soundfile.read(tmp_path / "said.wav", dtype="int16")
    assert not written[: 2 * RATE].any()
    assert np.array_equal(written[2 * RATE :], np.concatenate([SOUND, SOUND]))


def test_sound_of_another_rate_is_converted(tmp_path: Path) -> None:
    speaker = WavSpeaker(tmp_path / "said.wav", 16_000)
    speaker.play(SOUND, RATE)
    speaker.close()
    written, _ = soundfile.read(tmp_path / "said.wav", dtype="int16")
    assert abs(len(written) - 8000) <= 1
    spectrum = np.abs(np.fft.rfft(written, 2**16))
    assert np.argmax(spectrum) * 16_000 / 2**16 == pytest.approx(440, abs=1)


def test_a_wav_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    with pytest.raises(VoicelogError, match="cannot be written"):
        WavSpeaker(tmp_path / "absent" / "said.wav")


PLAY_AND_LIST = """
import numpy as np
from voicelog.audio.devices import sound_devices
from voicelog.audio.speaker import open_speaker

speaker, reason = open_speaker()
assert reason is None, reason
(device,) = sound_devices()
assert device.default_output and device.outputs, device
speaker.play((8000 * np.sin(2 * np.pi * 440 * np.arange(22050) / 22050)).astype(np.int16), 22050)
speaker.close()
"""


def has_portaudio() -> bool:
    try:
        import sounddevice  # noqa: F401
    except OSError:
        return False
    return True


@pytest.mark.skipif(sys.platform != "linux" or not has_portaudio(), reason="needs PortAudio over ALSA")
def test_the_real_library_plays(tmp_path: Path) -> None:
    """PortAudio and ALSA as they are, with a device of ALSA's own that plays into a file."""
    played = tmp_path / "played.raw"
    config = tmp_path / "asound.conf"
    config.write_text(
        f'pcm.!default {{ type file file "{played}" format "raw" slave.pcm "null" }}\npcm.null {{ type null }}\n'
    )
    environment = {**os.environ, "ALSA_CONFIG_PATH": str(config)}
    subprocess.run([sys.executable, "-c", PLAY_AND_LIST], env=environment, check=True, timeout=60)
    sound = np.frombuffer(played.read_bytes(), np.int16)
    expected = (8000 * np.sin(2 * np.pi * 440 * np.arange(22050) / 22050)).astype(np.int16)
    # The device runs a little before and after the sound; the sound itself begins with a zero.
    heard = np.trim_zeros(sound)
    assert np.array_equal(heard, np.trim_zeros(expected))


def portaudio_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    """What importing sounddevice does on a Linux machine without libportaudio."""
    real_import = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real_import(name, *rest)

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)


def test_without_portaudio_the_speaker_is_silent_and_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    portaudio_missing(monkeypatch)
    speaker, reason = open_speaker()
    assert isinstance(speaker, SilentSpeaker)
    assert reason is not None
    assert "PortAudio library is missing" in reason
    speaker.play(SOUND, RATE)
    speaker.close()


def test_without_portaudio_the_devices_are_told_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    portaudio_missing(monkeypatch)
    with pytest.raises(VoicelogError, match="PortAudio library is missing"):
        sound_devices()


def test_without_sounddevice_the_package_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    _, reason = open_speaker()
    assert reason is not None
    assert "pip install sounddevice" in reason


@pytest.mark.skipif(not has_portaudio(), reason="needs PortAudio")
def test_a_device_that_is_not_there_is_told() -> None:
    with pytest.raises(VoicelogError, match="connect or name another"):
        DeviceSpeaker("no such device")
