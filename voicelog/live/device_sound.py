"""The real microphone and speaker, held by a process that is started again when it fails."""

from __future__ import annotations

import queue
import subprocess
import threading
import time
from collections.abc import Callable

import numpy as np

from voicelog.aside import command_of, environment_of_child
from voicelog.audio import Spoken
from voicelog.live import wire
from voicelog.live.sound import Back, Began, Block, Ended, Lost, Overrun, SoundEvent
from voicelog.live.wire import Message
from voicelog.values import VoicelogError

START_S = 15.0
"""A sound process that says nothing for so long after its start is stuck."""

SILENT_S = 4.0
"""The same once it has a microphone, which gives sound all the time."""

HANG_S = 8.0
"""A speaker that has not said a reply so long after it should have is stuck: a library may hang on one that is gone."""

_POLL_S = 0.1

_EXPLAINED = (
    "check that it is connected and that no other program holds it, or name another (voicelog engine lists them)"
)


class DeviceSound:
    """`Sound` of this machine; devices by number or name, None for the system's own choice.

    Raises VoicelogError where there is no sound library, or at the start no such microphone;
    one that is lost later is waited for. `tell` gets what the handler should know of the device.
    """

    def __init__(self, microphone: str | None, speaker: str | None, tell: Callable[[str], None]) -> None:
        self._command = command_of("voicelog.live.sound_process", microphone or "", speaker or "")
        self._tell = tell
        self._messages: queue.Queue[tuple[int, Message | None]] = queue.Queue()
        self._number = 0
        self._playing = False
        self._said_by = 0.0
        self._lost = False
        self._start()
        self._ready()

    def now(self) -> float:
        return time.monotonic()

    def behind(self) -> bool:
        return not self._messages.empty()

    def wait(self) -> SoundEvent | None:
        if self._playing and time.monotonic() > self._said_by:
            return self._again("the speaker does not take the reply")
        try:
            number, message = self._messages.get(timeout=_POLL_S)
        except queue.Empty:
            return self._silent()
        if number != self._number:
            return None
        self._heard_from = time.monotonic()
        if message is None:
            return self._again("the sound system ended")
        return self._event(message)

    def play(self, sound: Spoken, rate: int) -> None:
        self._playing = True
        self._said_by = time.monotonic() + len(sound) / rate + HANG_S
        self._write(Message(wire.PLAY, rate, sound.astype("<i2").tobytes()))

    def stop(self) -> None:
        if self._playing:
            self._write(Message(wire.STOP, 0))

    def close(self) -> None:
        self._number += 1
        self._process.kill()
        self._process.wait()

    def _start(self) -> None:
        self._number += 1
        self._process = subprocess.Popen(
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment_of_child(),
        )
        self._heard_from = time.monotonic()
        self._recording = False
        threading.Thread(target=self._read, args=(self._number, self._process), daemon=True).start()

    def _ready(self) -> None:
        """Wait for the first microphone."""
        while True:
            try:
                _, message = self._messages.get(timeout=START_S)
            except queue.Empty:
                message = Message(wire.BROKEN, 0, b"the sound system does not answer: start it again")
            match message:
                case Message(kind=wire.READY):
                    self._recording = True
                    return
                case None | Message(kind=wire.LOST | wire.BROKEN):
                    self.close()
                    why = "the sound process ended" if message is None else message.content.decode()
                    broken = message is not None and message.kind == wire.BROKEN
                    raise VoicelogError(why if broken else f"no microphone ({why}): {_EXPLAINED}")

    def _read(self, number: int, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        for message in wire.messages(process.stdout):
            self._messages.put((number, message))
        self._messages.put((number, None))

    def _write(self, message: Message) -> None:
        assert self._process.stdin is not None
        try:
            wire.write(self._process.stdin, message)
        except OSError:
            # Its end is told by the reading side.
            self._playing = False
            self._messages.put((self._number, Message(wire.ENDED, time.monotonic())))

    def _event(self, message: Message) -> SoundEvent | None:
        match message.kind:
            case wire.SOUND:
                return Block(np.frombuffer(message.content, "<i2").astype(np.int16), message.at_s)
            case wire.OVERRUN:
                return Overrun(message.at_s)
            case wire.BEGAN:
                return Began(message.at_s)
            case wire.ENDED:
                self._playing = False
                return Ended(message.at_s)
            case wire.READY:
                self._recording = True
                if self._lost:
                    self._lost = False
                    return Back(message.at_s)
            case wire.LOST | wire.BROKEN:
                return self._is_lost(message.content.decode())
            case wire.NOTE:
                self._tell(message.content.decode())
        return None

    def _silent(self) -> SoundEvent | None:
        quiet = time.monotonic() - self._heard_from
        if quiet > (SILENT_S if self._recording else START_S):
            return self._again("it gives no sound")
        return None

    def _again(self, why: str) -> SoundEvent | None:
        self._process.kill()
        self._process.wait()
        self._start()
        return self._is_lost(why)

    def _is_lost(self, why: str) -> SoundEvent | None:
        """Told once, however often it is looked for."""
        self._recording = False
        if self._playing:
            self._playing = False
            self._messages.put((self._number, Message(wire.ENDED, time.monotonic())))
        if self._lost:
            return None
        self._lost = True
        return Lost(time.monotonic(), why)
