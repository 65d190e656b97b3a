"""A real sound server of one's own: PulseAudio with null sinks as microphone and speaker, ALSA and PortAudio over it.

The tests of live sessions run over it, and the benchmark of how soon a reply begins.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import cycle
from pathlib import Path

import numpy as np

from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

CHUNK = SAMPLE_RATE // 50

_RAW = ("--raw", "--format=s16le", f"--rate={SAMPLE_RATE}", "--channels=1")
_SOON = "--latency-msec=40"
_AHEAD = "--latency-msec=250"
"""So much of what is said is with the server already: a machine that is busy with the session must not make the
handler stutter."""


def missing() -> str | None:
    """Why it cannot be had here, or None."""
    for program in ("pulseaudio", "pactl", "pacat", "parec"):
        if shutil.which(program) is None:
            return f"{program} is missing: apt-get install pulseaudio pulseaudio-utils libasound2-plugins libportaudio2"
    return None


class SoundServer:
    """`mic` is the sink whose monitor is the microphone, `spk` that where replies go."""

    def __init__(self, folder: Path) -> None:
        config = folder / "asound.conf"
        config.write_text('pcm.!default { type pulse device "spk" }\nctl.!default { type pulse }\n'
                          'pcm.mic { type pulse device "mic.monitor" hint.description "mic" }\n'
                          'pcm.spk { type pulse device "spk" hint.description "spk" }\n')  # fmt: skip
        runtime = folder / "run"
        runtime.mkdir(mode=0o700)
        (folder / "home").mkdir()
        self.environment = {
            **os.environ,
            "HOME": str(folder / "home"),
            "XDG_RUNTIME_DIR": str(runtime),
            "PULSE_RUNTIME_PATH": str(runtime),
            "PULSE_SERVER": f"unix:{runtime}/native",
            "XDG_CACHE_HOME": str(folder / "cache"),
            "ALSA_CONFIG_PATH": f"/usr/share/alsa/alsa.conf:{config}",
        }
        self._modules: dict[str, str] = {}
        self._log = (folder / "pulse.log").open("wb")
        self._server = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--disallow-exit", "--realtime=no",
             "--high-priority=no", "-L", f"module-native-protocol-unix socket={runtime}/native auth-anonymous=1"],
            env=self.environment, stdout=self._log, stderr=self._log,
        )  # fmt: skip
        self._until(lambda: self._pactl("info", check=False) is not None)
        for name in ("mic", "spk"):
            self.plug_in(name)

    def plug_in(self, name: str) -> None:
        self._load(name, "module-null-sink", f"sink_name={name}", "rate=48000", "channels=1")

    def pull_out(self, name: str) -> None:
        self._pactl("unload-module", self._modules.pop(name))

    def leak(self, gain_db: float) -> None:
        """From now on the microphone hears the speaker, so much louder than it is, in dB; before a session opens it.

        The speaker plays into the sink whose monitor the microphone is, on its clock, so no busy machine delays it.
        """
        self.pull_out("spk")
        self._load("spk", "module-remap-sink", "sink_name=spk", "master=mic", "channels=1", "remix=no")
        plays = (self._pactl("list", "short", "sink-inputs") or "").splitlines()[-1].split()[0]
        self._pactl("set-sink-input-volume", plays, f"{gain_db}dB")

    def withhold(self, name: str, withheld: bool) -> None:
        """Suspended, as when another program reserves the device: it is there, and gives nothing."""
        self._pactl("suspend-sink", name, "1" if withheld else "0")

    def close(self) -> None:
        self._server.kill()
        self._server.wait()
        self._log.close()

    def _load(self, name: str, *module: str) -> None:
        self._modules[name] = (self._pactl("load-module", *module) or "").strip()

    def _pactl(self, *arguments: str, check: bool = True) -> str | None:
        done = subprocess.run(["pactl", *arguments], env=self.environment, capture_output=True, text=True, check=False)
        if check and done.returncode:
            raise VoicelogError(f"the sound server refused: {' '.join(done.stderr.split())}")
        return done.stdout if done.returncode == 0 else None

    def _until(self, ready: Callable[[], bool]) -> None:
        deadline = time.monotonic() + 30
        while not ready():
            if time.monotonic() > deadline or self._server.poll() is not None:
                raise VoicelogError(f"the sound server does not start: see {self._log.name}")
            time.sleep(0.05)  # a server that starts tells nobody


class Ear:
    """Hears a source of the server, such as the monitor of a sink, and notes when each piece of 20 ms came."""

    def __init__(self, server: SoundServer, source: str) -> None:
        self._recorder = subprocess.Popen(
            ["parec", "-d", source, *_RAW, _SOON], env=server.environment, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self.pieces: list[tuple[float, Frames]] = []
        """By `time.monotonic`."""
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self._recorder.stdout is not None
        while len(piece := self._recorder.stdout.read(2 * CHUNK)) == 2 * CHUNK:
            self.pieces.append((time.monotonic(), np.frombuffer(piece, "<i2")))

    def since(self, moment_s: float) -> list[tuple[float, Frames]]:
        return [piece for piece in self.pieces if piece[0] >= moment_s]

    def close(self) -> None:
        self._recorder.kill()
        self._recorder.wait()


class Handler:
    """Speaks into the virtual microphone, hears the virtual speaker, and waits for replies as a person does.

    `background` is what the microphone hears of the place while nobody speaks, over and over; silence where none is
    given.
    """

    def __init__(self, server: SoundServer, background: Frames | None = None) -> None:
        self._mouth = subprocess.Popen(
            ["pacat", "-d", "mic", *_RAW, _AHEAD], env=server.environment, stdin=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._ear = subprocess.Popen(
            ["parec", "-d", "spk.monitor", *_RAW, _SOON], env=server.environment, stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._background = cycle(_pieces(np.zeros(CHUNK, np.int16) if background is None else background))
        self.heard: list[Frames] = []
        """All that came from the speaker; a piece is 20 ms, and as long as the wall clock, for a sink never rests."""
        self.spoken: list[tuple[int, int]] = []
        """Of everything said: pieces heard when it began and when it ended."""
        self._lines = threading.Condition()
        self._to_say: list[Frames] = []
        self._over = False
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        """What is heard sets the pace of what is said: one clock."""
        assert self._ear.stdout is not None and self._mouth.stdin is not None
        while len(piece := self._ear.stdout.read(2 * CHUNK)) == 2 * CHUNK:
            frames = np.frombuffer(piece, "<i2")
            with self._lines:
                self.heard.append(frames)
                saying = self._to_say.pop(0) if self._to_say else next(self._background)
                self._lines.notify_all()
            try:
                self._mouth.stdin.write(saying.astype("<i2").tobytes())
                self._mouth.stdin.flush()
            except OSError:
                break
        with self._lines:
            self._over = True
            self._lines.notify_all()

    def say(self, frames: Frames) -> None:
        """Returns when it was said."""
        with self._lines:
            began = len(self.heard)
            self._to_say.extend(_pieces(frames))
            self._lines.wait_for(lambda: not self._to_say or self._over, timeout=120)
            self.spoken.append((began, len(self.heard)))

    def hear_out(self, most_s: float = 20.0, quiet_s: float = 0.5) -> bool:
        """Wait for a reply that begins now or later, and until it is over. Whether there was one."""
        quiet = round(quiet_s * 50)
        with self._lines:
            began = len(self.heard)
            self._lines.wait_for(lambda: self._over or self._loud_since(began), timeout=most_s)
            found = self._loud_since(began)
            self._lines.wait_for(
                lambda: self._over or not any(is_loud(frames) for frames in self.heard[-quiet:]), timeout=60
            )
        return found

    def _loud_since(self, began: int) -> bool:
        return any(is_loud(frames) for frames in self.heard[began:])

    def close(self) -> None:
        for process in (self._mouth, self._ear):
            process.kill()
            process.wait()


def _pieces(frames: Frames) -> list[Frames]:
    return list(np.concatenate([frames, np.zeros(-len(frames) % CHUNK, np.int16)]).reshape(-1, CHUNK))


def is_loud(frames: Frames) -> bool:
    return bool(np.abs(frames.astype(np.int32)).max() > 200)


@contextmanager
def sound_server(folder: Path) -> Iterator[SoundServer]:
    server = SoundServer(folder)
    try:
        yield server
    finally:
        server.close()
