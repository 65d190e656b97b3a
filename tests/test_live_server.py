"""A session over a real sound server: recorded calls into a virtual microphone, replies out of a virtual speaker."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import TypeVar

import pytest
from server_parts import LEAK, NO_SERVER, calls_of_today, earlier_check, piece, session, wait_for, written

from voicelog.bench import sound_server
from voicelog.bench.sound_server import Handler, SoundServer
from voicelog.live import DeviceSound
from voicelog.live.sound import Back, Block, Lost
from voicelog.values import SAMPLE_RATE

T = TypeVar("T")

pytestmark = pytest.mark.skipif(NO_SERVER is not None, reason=str(NO_SERVER))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    with sound_server.sound_server(tmp_path_factory.mktemp("pulse")) as running:
        yield running


def test_recorded_calls_are_heard_written_and_answered(server: SoundServer, tmp_path: Path) -> None:
    """With a loudspeaker: the handler waits for each reply, and every reply leaks into the microphone at -10 dB."""
    path, last = tmp_path / "yard.ledger", 3
    earlier_check(path)
    with session(server, path) as running:
        handler = Handler(server, leak=LEAK)
        wait_for(running, "pen three")
        handler.hear_out()
        answered = []
        for number in range(last + 1):
            handler.say(piece(number, number))
            answered.append(handler.hear_out())
        handler.close()
    assert calls_of_today(path) == written(0, last)
    assert answered == [True] * (last + 1)


def test_a_microphone_that_is_pulled_out_in_a_call_and_put_back(server: SoundServer, tmp_path: Path) -> None:
    """What was written stays, the half of a call that came is dropped, and the session goes on where it was.

    PulseAudio moves the recording to the only other source, which must not be taken for the microphone.
    """
    path = tmp_path / "yard.ledger"
    earlier_check(path)
    half = piece(1, 1)[: round(1.5 * SAMPLE_RATE)]
    with session(server, path) as running:
        handler = Handler(server)
        wait_for(running, "pen three")
        handler.hear_out()
        handler.say(piece(0, 0))
        wait_for(running, "+ ")
        handler.hear_out()
        handler.say(half)
        server.pull_out("mic")
        wait_for(running, "! microphone lost")
        assert handler.hear_out()
        handler.close()
        server.plug_in("mic")
        handler = Handler(server)
        told = wait_for(running, "microphone back")
        assert not any(line.startswith(("+", "?", "-")) for line in told)
        handler.hear_out()
        handler.say(piece(1, 1))
        wait_for(running, "+ ")
        handler.close()
    assert calls_of_today(path) == written(0, 1)
    with session(server, path, "--resume") as running:
        told = wait_for(running, "left")
    assert told[-1].strip() == "pen three, listening, two four in hand, thirty two left"


def test_a_microphone_that_another_program_takes_is_waited_for(
    server: SoundServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in server.environment.items():
        monkeypatch.setenv(name, value)
    with closing(DeviceSound("mic", "spk", lambda note: None)) as sound:
        await_event(sound, Block)
        server.withhold("mic", True)
        lost = await_event(sound, Lost)
        server.withhold("mic", False)
        await_event(sound, Back)
        await_event(sound, Block)
    assert lost.why


def await_event(sound: DeviceSound, kind: type[T], most_s: float = 60) -> T:
    until = time.monotonic() + most_s
    while time.monotonic() < until:
        event = sound.wait()
        if isinstance(event, kind):
            return event
    raise AssertionError(f"{kind.__name__} never came")


def test_a_microphone_that_is_not_there_is_told_in_one_line(server: SoundServer, tmp_path: Path) -> None:
    path = str(tmp_path / "a.ledger")
    done = subprocess.run(
        [sys.executable, "-m", "voicelog", "session", "--microphone", "nowhere", "--ledger", path],
        env=server.environment, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("voicelog: no microphone") and done.stderr.count("\n") == 1
