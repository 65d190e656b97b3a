"""The sound process with a device that no test machine has: a rate of its own, an overrun, a sudden end."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from voicelog.live import sound_process, wire
from voicelog.values import SAMPLE_RATE, Frames

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


class Speaker:
    """A loudspeaker that takes what it is given at once; after `breaks_at` pieces it is gone."""

    PortAudioError = NoSound

    def __init__(self, breaks_at: int = 1 << 30) -> None:
        self.active = False
        self.did: list[str] = []
        self.breaks_at = breaks_at
        self.silent = threading.Event()

    def check_output_settings(self, **_: object) -> None:
        pass

    def OutputStream(self, rate: int, **_: object) -> Any:
        self.did.append("opened")
        return self

    def start(self) -> None:
        assert not self.active
        self.active = True
        self.did.append("started")

    def stop(self) -> None:
        self.active = False
        self.did.append("heard out")

    def abort(self) -> None:
        self.active = False
        self.did.append("broken off")

    def write(self, frames: Frames) -> None:
        assert self.active
        if len(self.did) > self.breaks_at:
            raise NoSound("gone")
        loud = "reply" if np.any(frames) else "silence"
        if self.did[-1] != loud:
            self.did.append(loud)
        if loud == "silence":
            self.silent.set()
        time.sleep(0.001)


def playing(speaker: Speaker) -> tuple[sound_process._Player, queue.Queue[bytes]]:
    sent: queue.Queue[bytes] = queue.Queue()
    player = sound_process._Player(speaker, None, lambda kind, content=b"": sent.put(kind))
    threading.Thread(target=player.run, daemon=True).start()
    return player, sent


REPLY = np.full(SAMPLE_RATE // 10, 9000, "<i2").tobytes()


def test_between_replies_the_speaker_is_kept_awake_and_each_is_heard_out() -> None:
    speaker = Speaker()
    player, sent = playing(speaker)
    for _ in range(2):
        player.play(REPLY, SAMPLE_RATE)
        assert [sent.get(timeout=5), sent.get(timeout=5)] == [wire.BEGAN, wire.ENDED]
        speaker.silent.clear()
        assert speaker.silent.wait(5)
    once = ["reply", "heard out", "started", "silence"]
    assert speaker.did == ["opened", "started", *once, *once]


def test_a_speaker_that_is_gone_between_replies_is_opened_again_for_the_next() -> None:
    speaker = Speaker(breaks_at=5)
    player, sent = playing(speaker)
    player.play(REPLY, SAMPLE_RATE)
    assert [sent.get(timeout=5), sent.get(timeout=5)] == [wire.BEGAN, wire.ENDED]
    assert speaker.silent.wait(5)
    speaker.breaks_at = len(speaker.did) - 1
    until = time.monotonic() + 5
    while player._stream is not None and time.monotonic() < until:
        time.sleep(0.01)
    speaker.breaks_at, speaker.active = 1 << 30, False
    player.play(REPLY, SAMPLE_RATE)
    assert [sent.get(timeout=5), sent.get(timeout=5)] == [wire.BEGAN, wire.ENDED]
    assert speaker.did.count("opened") == 2
