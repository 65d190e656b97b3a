"""A session over a real sound server: recorded calls into a virtual microphone, replies out of a virtual speaker."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TypeVar

import numpy as np
import pytest
import soundfile

from voicelog.bench import sound_server
from voicelog.bench.sound_server import CHUNK, Ear, Handler, SoundServer
from voicelog.ledger import CallMade, Draft, Ledger, SessionFinished, SessionStarted, new_id
from voicelog.live import DeviceSound, device_sound
from voicelog.live.sound import Back, Block, Ended, Lost
from voicelog.values import SAMPLE_RATE, Call, Frames

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
SESSION = [json.loads(line) for line in (FIXTURES / "session.jsonl").read_text(encoding="utf-8").splitlines()]
YARD = tomllib.loads((FIXTURES / "session.toml").read_text(encoding="utf-8"))
SOUND, _ = soundfile.read(FIXTURES / "session.flac", dtype="int16")
T = TypeVar("T")
LEAK = 10 ** (-10 / 20)

pytestmark = pytest.mark.skipif(sound_server.missing() is not None, reason=str(sound_server.missing()))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SoundServer]:
    with sound_server.sound_server(tmp_path_factory.mktemp("pulse")) as running:
        yield running


def piece(first: int, last: int) -> Frames:
    """The recording from before one utterance to after another."""
    start, end = SESSION[first]["start_s"] - 0.5, SESSION[last]["end_s"] + 1.0
    return np.asarray(SOUND[round(start * SAMPLE_RATE) : round(end * SAMPLE_RATE)])


def earlier_check(path: Path) -> None:
    with Ledger.open(path) as ledger:
        facts = [
            SessionStarted(roster=tuple(bird["band"] for bird in YARD["earlier"]), pen="3"),
            *(CallMade(call=Call(band=bird["band"], sex=bird["sex"])) for bird in YARD["earlier"]),
            SessionFinished(seen=len(YARD["earlier"])),
        ]
        session = new_id()
        for fact in facts:
            ledger.append(Draft(id=new_id(), session=session, fact=fact))


@contextmanager
def session(server: SoundServer, ledger: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """`voicelog session` as a user starts it; without a terminal it writes lines."""
    roster = () if "--resume" in options else ("--roster", ",".join(map(str, YARD["roster"])), "--pen", "3")
    with (ledger.parent / "errors").open("w") as errors:
        running = subprocess.Popen(
            [sys.executable, "-u", "-m", "voicelog", "session", "--microphone", "mic", "--speaker", "spk",
             "--ledger", str(ledger), *roster, *options],
            env=server.environment, stdout=subprocess.PIPE, stderr=errors, text=True,
        )  # fmt: skip
        try:
            yield running
        finally:
            running.terminate()
            running.wait(timeout=30)
            assert running.stdout is not None
            running.stdout.close()
    assert "Traceback" not in (ledger.parent / "errors").read_text()


def wait_for(running: subprocess.Popen[str], text: str) -> list[str]:
    """The lines up to one that holds `text`; the last one ends the program if that never comes."""
    assert running.stdout is not None
    lines: list[str] = []
    hung = threading.Timer(120, running.kill)
    hung.start()
    try:
        for line in running.stdout:
            lines.append(line.rstrip("\n"))
            if text in line:
                return lines
    finally:
        hung.cancel()
    raise AssertionError(f"{text!r} never came: {lines}")


def calls_of_today(path: Path) -> list[dict[str, object]]:
    with Ledger.open(path, must_exist=True) as ledger:
        assert ledger.verify() == []
        events = list(ledger.events(session=ledger.last_session()))
    return [event.fact.call.model_dump() for event in events if event.fact.kind == "call"]


def written(first: int, last: int) -> list[dict[str, object]]:
    return [line["record"] for line in SESSION[first : last + 1] if line["event"] == "call"]


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


def test_a_stretch_of_the_recording_goes_through_without_a_stop_with_a_headset(
    server: SoundServer, tmp_path: Path
) -> None:
    path, last = tmp_path / "yard.ledger", 4
    earlier_check(path)
    with session(server, path, "--headset") as running:
        handler = Handler(server)
        wait_for(running, "pen three")
        handler.hear_out()
        handler.say(piece(0, last))
        wait_for(running, "+ nine six")
        handler.close()
        loud = sum(sound_server.is_loud(frames) for frames in handler.heard)
    assert calls_of_today(path) == written(0, last)
    assert loud * CHUNK / SAMPLE_RATE > last


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
