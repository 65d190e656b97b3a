"""What the tests over a real sound server share: the recorded session, and `voicelog session` as a user starts it."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile

from voicelog.bench import sound_server
from voicelog.bench.sound_server import SoundServer
from voicelog.ledger import CallMade, Draft, Ledger, SessionFinished, SessionStarted, new_id
from voicelog.values import SAMPLE_RATE, Call, Frames

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
SESSION = [json.loads(line) for line in (FIXTURES / "session.jsonl").read_text(encoding="utf-8").splitlines()]
YARD = tomllib.loads((FIXTURES / "session.toml").read_text(encoding="utf-8"))
SOUND, _ = soundfile.read(FIXTURES / "session.flac", dtype="int16")
LEAK = 10 ** (-10 / 20)

NO_SERVER = sound_server.missing()


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
