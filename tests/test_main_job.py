"""The main job: recorded speech through the real recogniser to a real ledger."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile

from voicelog.ledger import Ledger, SessionStarted, fold

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
SESSION = [json.loads(line) for line in (FIXTURES / "session.jsonl").read_text(encoding="utf-8").splitlines()]
YARD = tomllib.loads((FIXTURES / "session.toml").read_text(encoding="utf-8"))
ROSTER = ",".join(map(str, YARD["roster"]))


def voicelog(*arguments: str, stdin: str | None = None, **settings: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "voicelog", *arguments],
        input=stdin,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        env={**os.environ, **settings},
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    ledger = tmp_path_factory.mktemp("demo") / "demo.ledger"
    done = voicelog("demo", "--ledger", str(ledger))
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout, ledger


def test_the_recorded_session_gives_exactly_the_expected_state(demo: tuple[str, Path]) -> None:
    out, path = demo
    with Ledger.open(path, must_exist=True) as ledger:
        session = ledger.last_session()
        events = list(ledger.events(session=session))
        assert ledger.verify() == []
        kept_sounds = {
            event.id for event in events if event.fact.kind == "call" and ledger.sound_path(event.id).is_file()
        }
    facts = [event.fact for event in events if not isinstance(event.fact, SessionStarted)]
    expected = [line for line in SESSION if line["event"]]
    assert [fact.kind for fact in facts] == [line["event"] for line in expected]
    calls = [fact.call for fact in facts if fact.kind == "call"]
    assert [call.model_dump() for call in calls] == [line["record"] for line in expected if line["event"] == "call"]
    birds = {
        str(band): bird.known.model_dump(exclude={"band"}, exclude_none=True)
        for band, bird in fold(events).birds.items()
    }
    for band, truth in YARD["final"]["birds"].items():
        assert {slot: birds[band].get(slot) for slot in truth} == truth, band
    assert list(facts[-1].left) == YARD["final"]["left"]
    assert len(kept_sounds) == len(calls)
    assert "left" in out and "Session of" in out


def test_single_calls_are_right_or_asked_about() -> None:
    # Some calls of one natural voice here; the whole set takes minutes.
    truth = {
        line["file"]: line
        for line in map(json.loads, (FIXTURES / "calls.jsonl").read_text(encoding="utf-8").splitlines())
        if line["voice"] == "flite_slt" and line["file"][-7:] < "10.flac"
    }
    files = [str(FIXTURES / name) for name in truth]
    done = voicelog("replay", "--json", "--each", "--roster", "1-299", *files)
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(lines) == len(files)
    right = 0
    for line, expected in zip(lines, truth.values(), strict=True):
        assert set(line) == {
            "file", "heard", "certainty", "verdict", "reason", "record", "reply", "audio_s", "compute_s",
        }  # fmt: skip
        if line["verdict"] == "accept":
            assert line["record"] == expected["record"], expected["said"]
        # What is asked about is right once yes is said: with 1 to 299 live every teen has its ten beside it.
        if line["verdict"] != "reject":
            right += line["record"] == expected["record"]
    assert right >= len(files) - 1


def test_what_was_read_back_survives_kill_9(tmp_path: Path) -> None:
    ledger = tmp_path / "yard.ledger"
    replay = subprocess.Popen(
        [sys.executable, "-m", "voicelog", "replay", "--json", "--roster", ROSTER, "--ledger", str(ledger),
         str(FIXTURES / "session.flac")],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert replay.stdout is not None
    read_back = []
    for line in replay.stdout:
        told = json.loads(line)
        if told["verdict"] == "accept" and told["record"]:
            read_back.append(told["record"])
        if len(read_back) == 6:
            replay.send_signal(signal.SIGKILL)
            break
    replay.communicate(timeout=30)  # not before every process that it began has closed what it may write to
    with Ledger.open(ledger, must_exist=True) as kept:
        calls = [call.call.model_dump() for call in fold(kept.events()).calls]
    assert calls[:6] == read_back
    told = voicelog("summary", "--ledger", str(ledger))
    assert told.returncode == 0 and "not finished" in told.stdout


def test_typed_words_take_the_same_way(tmp_path: Path) -> None:
    ledger = str(tmp_path / "yard.ledger")
    done = voicelog("type", "--roster", "1-60", "--ledger", ledger, stdin="band 42 male foam yes\nhow many left\n")
    assert done.returncode == 0, done.stderr
    assert "four two, male, foam yes" in done.stdout
    assert "fifty nine left" in done.stdout
    assert "male: 1 (bands 42)" in voicelog("summary", "--ledger", ledger).stdout


def _bad_sound(folder: Path, kind: str) -> Path:
    path = folder / f"{kind}.wav"
    noise = np.random.default_rng(1).standard_normal(32000)
    match kind:
        case "text":
            path.write_text("no sound", encoding="utf-8")
        case "empty":
            path.write_bytes(b"")
        case "silence":
            soundfile.write(path, np.zeros(32000), 16000)
        case "noise":
            soundfile.write(path, 0.02 * noise, 16000)
        case "broken":
            path = folder / "broken.flac"
            soundfile.write(path, 0.2 * noise, 16000)
            path.write_bytes(path.read_bytes()[:20000])
    return path


@pytest.mark.parametrize("kind", ["text", "empty", "silence", "noise", "broken", "missing"])
def test_bad_sound_is_told_in_one_line_with_status_2(tmp_path: Path, kind: str) -> None:
    done = voicelog("replay", str(_bad_sound(tmp_path, kind)))
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1 and done.stderr.startswith("voicelog: ")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["replay", "--roster", "x", "a.wav"], "roster"),
        (["replay", "--model", "/nowhere", str(FIXTURES / "noise" / "fan.flac")], "/nowhere"),
        (["summary", "--ledger", "/nowhere/x.ledger"], "/nowhere"),
        (["summary", "--ledger", str(FIXTURES / "session.flac")], "session.flac"),
        (["engine", "install", "vosk", "--from", "/nowhere.zip"], "/nowhere.zip"),
    ],
)
def test_bad_arguments_are_told_in_one_line_with_status_2(arguments: list[str], says: str) -> None:
    done = voicelog(*arguments)
    assert done.returncode == 2
    assert says in done.stderr and "Traceback" not in done.stderr and done.stderr.count("\n") == 1


def test_settings_and_grammar_mistakes_are_told(tmp_path: Path) -> None:
    config, grammars = tmp_path / "voicelog.toml", tmp_path / "grammars"
    grammars.mkdir()
    (grammars / "call.gram").write_text("#JSGF V1.0;\ngrammar call;\n<listen> = (a;", encoding="utf-8")
    config.write_text(f'grammars = "{grammars.as_posix()}"', encoding="utf-8")
    done = voicelog("type", stdin="hen\n", VOICELOG_CONFIG=str(config))
    assert done.returncode == 2 and "call.gram:3:" in done.stderr
    config.write_text('engin = "vosk"', encoding="utf-8")
    done = voicelog("engine", VOICELOG_CONFIG=str(config))
    assert done.returncode == 2 and "engin" in done.stderr


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ('vosk_model = "~nosuch/model"', "there is no home folder ~nosuch"),
        ('voice = "~nosuch/voice.onnx"', "there is no home folder ~nosuch"),
        ("gain_db = " + "1" * 5000, "far too long"),
        ("roster = " + "[" * 5000 + "]" * 5000, "too deep"),
    ],
)
def test_settings_that_nobody_would_write_are_told_in_one_line(tmp_path: Path, settings: str, says: str) -> None:
    (tmp_path / "voicelog.toml").write_text(settings, encoding="utf-8")
    done = voicelog("engine", VOICELOG_CONFIG=str(tmp_path / "voicelog.toml"))
    told = done.stderr + done.stdout
    assert says in told and "Traceback" not in told


def test_engine_tells_what_is_used() -> None:
    done = voicelog("engine")
    assert done.returncode == 0, done.stderr
    for word in ("engine:", "model:", "voice:", "noise:", "sound:"):
        assert word in done.stdout
