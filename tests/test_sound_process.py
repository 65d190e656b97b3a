"""The sound process with a device that no test machine has: a rate of its own, an overrun, a sudden end."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from voicelog.live import sound_process, wire
from voicelog.values import SAMPLE_RATE

RATE = 48_000
PIECES = 100
OVERRUN_AT = 40


class NoSound(Exception):
    pass


class Device:
    """A microphone that knows only 48 kHz and hears a tone of 1 kHz; it stops after `PIECES` of 20 ms."""

    PortAudioError = NoSound

    def __init__(self) -> None:
        self.active = True

    def check_input_settings(self, samplerate: float, **_: object) -> None:
        if samplerate != RATE:
            raise NoSound("Invalid sample rate")

    def query_devices(self, device: object, kind: str) -> dict[str, float]:
        return {"default_samplerate": float(RATE)}

    def RawInputStream(
        self, rate: int, size: int, device: object, *, callback: Callable[..., None], **_: object
    ) -> Any:
        assert rate == RATE

        def run() -> None:
            tone = np.sin(2 * np.pi * 1000 * np.arange(PIECES * size) / rate) * 16000
            for number, piece in enumerate(tone.astype(np.int16).reshape(PIECES, size)):
                if number == PIECES - 1:
                    self.active = False
                callback(piece.tobytes(), size, None, SimpleNamespace(input_overflow=number == OVERRUN_AT))

        self.start = lambda: threading.Thread(target=run).start()
        return self


def test_a_rate_of_its_own_an_overrun_and_a_sudden_end() -> None:
    sent: list[tuple[bytes, bytes]] = []

    def send(kind: bytes, content: bytes = b"", at_s: float | None = None) -> None:
        sent.append((kind, content))

    with pytest.raises(NoSound, match="it stopped"):
        sound_process._record(Device(), None, send)
    kinds = [kind for kind, _ in sent]
    assert kinds[0] == wire.READY and sent[0][1] == str(RATE).encode()
    before = kinds.index(wire.OVERRUN)
    assert kinds.count(wire.OVERRUN) == 1 and abs(kinds[:before].count(wire.SOUND) - OVERRUN_AT) <= 2
    frames = np.frombuffer(b"".join(content for kind, content in sent if kind == wire.SOUND), "<i2")
    # What the resampler still holds is lost with the microphone.
    assert len(frames) / SAMPLE_RATE > 0.95 * PIECES * 0.02
    spectrum = np.abs(np.fft.rfft(frames[: SAMPLE_RATE // 2]))
    assert abs(int(np.argmax(spectrum)) * 2 - 1000) <= 4
