"""The process that holds the sound device: `python -m voicelog.live.sound_process MICROPHONE SPEAKER`.

It is a process of its own for three reasons. Decoding holds Python's lock for
tenths of a second, in which no callback would run; a sound library that hangs
when a headset is pulled out can be killed; and PortAudio lists devices once in
a process, so that a headset that comes back is found by a new one.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import numpy as np

from voicelog.live import wire
from voicelog.live.pulse_watch import watch_source
from voicelog.live.sound import BLOCK_S
from voicelog.live.wire import Message
from voicelog.values import SAMPLE_RATE, VoicelogError

BUFFER_S = 0.1
"""Sound that the device holds while nobody fetches it. PortAudio hands it over a quarter of this at a time."""

FIRST_S = 6.0
"""So long a microphone may take until its first sound: one that slept takes two seconds or more."""

SILENT_S = 2.0
"""A microphone that gives nothing for so long is lost."""

RETRY_S = 1.0
"""After so long without a microphone the process ends, and a new one looks for it."""

REPLY_S = 5.0
"""So long the process waits for a reply to be heard out, which a speaker that is gone too would never let it."""

AWAKE_S = 0.01
"""Silence that the speaker is given at a time while there is nothing to say. Woken for each reply, it would begin
later, and a wireless headset would swallow the first syllable."""

_CHUNK_S = 0.04


def main() -> None:
    microphone, speaker = (_device(name) for name in sys.argv[1:3])
    lock = threading.Lock()

    def send(kind: bytes, content: bytes = b"", at_s: float | None = None) -> None:
        with lock:
            try:
                wire.write(sys.stdout.buffer, Message(kind, time.monotonic() if at_s is None else at_s, content))
            except OSError:
                os._exit(0)

    from voicelog.audio.devices import load_sounddevice

    try:
        sounddevice = load_sounddevice()
    except VoicelogError as wrong:
        send(wire.BROKEN, str(wrong).encode())
        return
    player = _Player(sounddevice, speaker, send)
    threading.Thread(target=_obey, args=(player,), daemon=True).start()
    threading.Thread(target=player.run, daemon=True).start()
    try:
        _record(sounddevice, microphone, send)
    except (ValueError, sounddevice.PortAudioError) as problem:
        send(wire.LOST, " ".join(str(problem).split()).encode())
        time.sleep(RETRY_S)
        player.finish(most_s=REPLY_S)
    # The library may hang on a device that is gone: no tidying up.
    os._exit(0)


def _device(name: str) -> str | int | None:
    return int(name) if name.isdecimal() else name or None


def _record(sounddevice: Any, device: str | int | None, send: Callable[..., None]) -> None:
    """Send what the microphone gives, until it gives no more. Raises PortAudioError, or ValueError for a wrong name."""
    import soxr

    rate = SAMPLE_RATE
    try:
        sounddevice.check_input_settings(device=device, channels=1, dtype="int16", samplerate=rate)
    except sounddevice.PortAudioError:
        rate = round(sounddevice.query_devices(device, "input")["default_samplerate"])
    resampler = None if rate == SAMPLE_RATE else soxr.ResampleStream(rate, SAMPLE_RATE, 1, dtype="int16", quality="HQ")
    came: queue.Queue[tuple[bytes, float, bool] | str] = queue.Queue()

    def take(sound: Any, frames: int, when: Any, status: Any) -> None:
        came.put((bytes(sound), time.monotonic(), bool(status.input_overflow)))

    waiting = np.zeros(0, np.int16)
    block = round(BLOCK_S * SAMPLE_RATE)
    # Never closed: closing a stream whose device is gone may hang.
    stream = sounddevice.RawInputStream(
        rate, round(BLOCK_S * rate), device, channels=1, dtype="int16", latency=BUFFER_S, callback=take
    )
    stream.start()
    patience_s = FIRST_S
    while True:
        try:
            piece = came.get(timeout=patience_s)
        except queue.Empty:
            raise sounddevice.PortAudioError("it gives no sound") from None
        if isinstance(piece, str):
            raise sounddevice.PortAudioError(f"another one came in its place: {piece}")
        if patience_s == FIRST_S:
            patience_s = SILENT_S
            send(wire.READY, str(rate).encode())
            watch_source(came.put)
        sound, at_s, overflow = piece
        if overflow:
            send(wire.OVERRUN, at_s=at_s)
        frames = np.frombuffer(sound, np.int16)
        if resampler is not None:
            frames = resampler.resample_chunk(frames)
        waiting = np.concatenate([waiting, frames])
        while len(waiting) >= block:
            send(wire.SOUND, waiting[:block].tobytes(), at_s)
            waiting = waiting[block:]
        if not stream.active and came.empty():
            raise sounddevice.PortAudioError("it stopped")


class _Player:
    """Plays one sound at a time."""

    def __init__(self, sounddevice: Any, device: str | int | None, send: Callable[..., None]) -> None:
        self._sounddevice = sounddevice
        self._device = device
        self._send = send
        self._sounds: queue.Queue[tuple[bytes, int]] = queue.Queue()
        self._stopped = threading.Event()
        self._stream: Any = None
        self._rate = 0

    def play(self, sound: bytes, rate: int) -> None:
        self._stopped.clear()
        self._sounds.put((sound, rate))

    def stop(self) -> None:
        self._stopped.set()

    def finish(self, most_s: float) -> None:
        """Wait until nothing is left to play."""
        with self._sounds.all_tasks_done:
            self._sounds.all_tasks_done.wait_for(lambda: not self._sounds.unfinished_tasks, timeout=most_s)

    def run(self) -> None:
        while True:
            sound, rate = self._next()
            try:
                self._play(sound, rate)
            except (ValueError, self._sounddevice.PortAudioError) as problem:
                self._stream = None
                self._send(wire.NOTE, f"the reply cannot be played: {' '.join(str(problem).split())}".encode())
            self._send(wire.ENDED)
            self._sounds.task_done()

    def _next(self) -> tuple[bytes, int]:
        """What is to be played next; until then the speaker is given silence."""
        while self._stream is not None:
            with suppress(queue.Empty):
                return self._sounds.get_nowait()
            try:
                if not self._stream.active:
                    self._stream.start()
                self._stream.write(np.zeros(round(AWAKE_S * self._rate), np.int16))
            except self._sounddevice.PortAudioError:
                # It is gone, which the next reply will tell.
                self._stream = None
        return self._sounds.get()

    def _play(self, sound: bytes, rate: int) -> None:
        frames = self._at_device_rate(np.frombuffer(sound, np.int16), rate)
        if self._stream is None:
            self._stream = self._sounddevice.OutputStream(
                self._rate, device=self._device, channels=1, dtype="int16", latency="low"
            )
        if not self._stream.active:
            self._stream.start()
        self._send(wire.BEGAN)
        chunk = round(_CHUNK_S * self._rate)
        for start in range(0, len(frames), chunk):
            if self._stopped.is_set():
                self._stream.abort()
                return
            self._stream.write(frames[start : start + chunk])
        # Unlike to wait so long as its buffer is said to hold, to stop it waits until all of it was heard.
        self._stream.stop()

    def _at_device_rate(self, frames: Any, rate: int) -> Any:
        if not self._rate:
            self._rate = rate
            try:
                self._sounddevice.check_output_settings(device=self._device, channels=1, dtype="int16", samplerate=rate)
            except self._sounddevice.PortAudioError:
                self._rate = round(self._sounddevice.query_devices(self._device, "output")["default_samplerate"])
        if rate == self._rate:
            return np.ascontiguousarray(frames)
        import soxr

        return soxr.resample(frames, rate, self._rate)


def _obey(player: _Player) -> None:
    for message in wire.messages(sys.stdin.buffer):
        if message.kind == wire.PLAY:
            player.play(message.content, round(message.at_s))
        elif message.kind == wire.STOP:
            player.stop()
    # The session is gone, by whatever way.
    os._exit(0)


if __name__ == "__main__":
    main()
