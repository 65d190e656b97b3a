"""What goes wrong with microphone and speaker in a live session, over a real sound server.

The whole recorded session over it: test_live_headset.py and test_live_loudspeaker.py.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import TypeVar

import numpy as np
import pytest
import soundfile
from over_server import session, wait_for

from voicelog.bench import sound_server
from voicelog.bench.sound_server import Ear, Handler, SoundServer
from voicelog.ledger import Ledger
from voicelog.live import DeviceSound, device_sound
from voicelog.live.sound import Back, Block, Ended, Lost
from voicelog.recorded import recorded_session
from voicelog.values import SAMPLE_RATE, Frames

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
SESSION = [json.loads(line) for line in (FIXTURES / "session.jsonl").read_text(encoding="utf-8").splitlines()]
SOUND, _ = soundfile.read(FIXTURES / "session.flac", dtype="int16")
T = TypeVar("T")

pytestmark = pytest.mark.skipif(sound_server.missing() is not None, reason=str(sound_server.missing()))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    with sound_server.sound_server(tmp_path_factory.mktemp("pulse")) as running:
        yield running


def piece(first: int, last: int) -> Frames:
    """The recording from before one utterance to after another."""
    start, end = SESSION[first]["start_s"] - 0.5, SESSION[last]["end_s"] + 1.0
    return np.asarray(SOUND[round(start * SAMPLE_RATE) : round(end * SAMPLE_RATE)])


def calls_of_today(path: Path) -> list[dict[str, object]]:
    with Ledger.open(path, must_exist=True) as ledger:
        assert ledger.verify() == []
        events = list(ledger.events(session=ledger.last_session()))
    return [event.fact.call.model_dump() for event in events if event.fact.kind == "call"]


def written(first: int, last: int) -> list[dict[str, object]]:
    return [line["record"] for line in SESSION[first : last + 1] if line["event"] == "call"]


def test_a_microphone_that_is_pulled_out_in_a_call_and_put_back(server: SoundServer, tmp_path: Path) -> None:
    """What was written stays, the half of a call that came is dropped, and the session goes on where it was.

    PulseAudio moves the recording to the only other source, which must not be taken for the microphone.
    """
    path = tmp_path / "yard.ledger"
    with Ledger.open(path) as ledger:
        recorded_session().write_earlier_check(ledger)
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


def test_a_speaker_that_takes_no_reply_does_not_keep_the_session_deaf(
    server: SoundServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Woken again, it says the next one; between replies it is kept awake with silence."""
    for name, value in server.environment.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(device_sound, "HANG_S", 2.0)
    reply = np.full(SAMPLE_RATE // 2, 9000, np.int16)
    # The virtual speaker keeps two seconds back where nobody listens to it.
    with closing(Ear(server, "spk.monitor")), closing(DeviceSound("mic", "spk", lambda note: None)) as sound:
        await_event(sound, Block)
        for _ in range(2):
            sound.play(reply, SAMPLE_RATE)
            await_event(sound, Ended, most_s=2)
        server.withhold("spk", True)
        sound.play(reply, SAMPLE_RATE)
        lost = await_event(sound, Lost, most_s=10)
        await_event(sound, Ended, most_s=2)
        server.withhold("spk", False)
        await_event(sound, Back)
        sound.play(reply, SAMPLE_RATE)
        await_event(sound, Ended, most_s=2)
    assert "speaker" in lost.why


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
