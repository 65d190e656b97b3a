"""The sound devices of this machine, or the reason why there are none."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

from voicelog.values import VoicelogError


@dataclass(frozen=True, slots=True)
class SoundDevice:
    """A sound device: how many channels it records and plays, its own rate in Hz,
    and whether it is the one used when none is named."""

    number: int
    name: str
    inputs: int
    outputs: int
    rate_hz: float
    default_input: bool
    default_output: bool


def sound_devices() -> tuple[SoundDevice, ...]:
    """Every sound device, at least one.

    Raises VoicelogError with the reason when there are none.
    """
    sounddevice = load_sounddevice()
    try:
        found = sounddevice.query_devices()
        default_input, default_output = sounddevice.default.device
    except sounddevice.PortAudioError as problem:
        raise VoicelogError(f"the sound devices cannot be listed ({problem}): check the sound system") from problem
    if not found:
        raise VoicelogError("this machine has no sound device: connect one; until then replies are text only")
    return tuple(
        SoundDevice(
            number=number,
            name=device["name"],
            inputs=device["max_input_channels"],
            outputs=device["max_output_channels"],
            rate_hz=device["default_samplerate"],
            default_input=number == default_input,
            default_output=number == default_output,
        )
        for number, device in enumerate(found)
    )


def load_sounddevice() -> Any:
    """The module `sounddevice`. Raises VoicelogError where it or its PortAudio library is missing."""
    try:
        import sounddevice
    except ImportError as problem:
        raise VoicelogError("no sound in or out: pip install sounddevice") from problem
    except OSError as problem:  # The wheel for Linux does not carry the library.
        install = "sudo apt install libportaudio2" if sys.platform == "linux" else "reinstall sounddevice"
        raise VoicelogError(f"no sound in or out, the PortAudio library is missing: {install}") from problem
    return sounddevice
