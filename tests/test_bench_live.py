"""The benchmarks of live sessions, in small form; the long ones are run by hand."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from voicelog.bench import reply_time, soak, sound_server
from voicelog.bench.soak import Compared, Round
from voicelog.ledger import CallMade, Draft, Ledger, new_id
from voicelog.live import Timing
from voicelog.live.patience import LOOK_S
from voicelog.recorded import recorded_session
from voicelog.values import SAMPLE_RATE, Call, Frames, VoicelogError


def bench(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "voicelog", "bench", *arguments],
        capture_output=True, text=True, timeout=300, check=False, env=os.environ,
    )  # fmt: skip


def test_a_typed_session_is_killed_and_nothing_is_wrong(tmp_path: Path) -> None:
    file = tmp_path / "kills.json"
    done = bench("kills", "--times", "1", "--by-sound", "0", "--json", str(file))
    assert done.returncode == 0, done.stderr
    found = json.loads(file.read_text(encoding="utf-8"))
    assert found["ways"]["typed"]["kills"] == 1 and found["ways"]["typed"]["with_something_wrong"] == 0


def test_replies_over_recordings_are_timed(tmp_path: Path) -> None:
    file = tmp_path / "live.json"
    done = bench("live", "--recordings", "--utterances", "1", "--json", str(file))
    assert done.returncode == 0, done.stderr
    found = json.loads(file.read_text(encoding="utf-8"))
    ((reply,), parts) = found["replies"], found["figures_ms"]
    assert 0.3 <= reply["silence_s"] <= 0.72 and reply["device_s"] is None and "device" not in parts
    assert parts["total"]["p50"] >= parts["silence"]["p50"] > 0


@pytest.mark.skipif(sound_server.missing() is not None, reason="no sound server")
def test_what_was_written_over_a_sound_server_is_what_was_said_though_replies_leak(tmp_path: Path) -> None:
    file = tmp_path / "live.json"
    done = bench("live", "--utterances", "2", "--leak", "-10", "--json", str(file))
    assert done.returncode == 0, done.stderr
    assert json.loads(file.read_text(encoding="utf-8"))["ledger"] == {
        "expected": 2, "right": 2, "wrong": 0, "missing": [],
    }  # fmt: skip
    done = bench("live", "--recordings", "--leak", "-10")
    assert done.returncode == 2 and "leave --leak out" in done.stderr


def test_facts_are_compared_in_order_and_places_named(tmp_path: Path) -> None:
    said = [one for one in recorded_session().said() if one.event == "call"][:3]
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        for record in (said[0].record, {"band": 9000}, said[2].record):
            fact = CallMade(call=Call.model_validate(record))
            ledger.append(Draft(id=new_id(), session="s", fact=fact))
        assert soak.compared(said, ledger, "s") == Compared(3, 2, 1, (1,))
        assert soak.compared(said, ledger, "another") == Compared(3, 0, 0, (0, 1, 2))


@pytest.mark.parametrize("command", ["kills", "live", "soak"])
def test_figures_that_cannot_be_written_are_told_before_the_work(command: str, tmp_path: Path) -> None:
    done = bench(command, "--json", str(tmp_path / "nowhere" / "a.json"))
    assert done.returncode == 2
    assert "no such folder" in done.stderr and done.stderr.count("\n") == 1


def test_what_of_the_decoding_fell_into_the_silence_took_no_time() -> None:
    whole_call = Timing(0.3, 0.05, 0.4 - LOOK_S, 0.01, 0.0, 0)
    band_alone = Timing(0.7, 0.05, 0.5 - LOOK_S, 0.01, 0.0, 0)
    assert reply_time._on_the_way(whole_call)[1] == pytest.approx(0.15)
    assert reply_time._on_the_way(band_alone)[1] == 0.0


def _as_it_came(sound: Frames) -> list[tuple[float, Frames]]:
    """Sound that began at 100 s, in pieces of 20 ms, each with the time of its end."""
    pieces = sound[: len(sound) // 320 * 320].reshape(-1, 320)
    return [(100 + (at + 1) * 0.02, piece) for at, piece in enumerate(pieces)]


def test_the_end_of_speech_and_the_first_sample_of_the_reply() -> None:
    recorded = recorded_session()
    first, stream = recorded.said()[0], recorded.sound()
    clip = reply_time._piece(stream, first)
    expected_s = first.end_s - first.start_s + reply_time.BEFORE_S
    assert reply_time._end_of_speech(_as_it_came(clip)) == pytest.approx(100 + expected_s, abs=0.25)
    tone = (np.sin(np.arange(SAMPLE_RATE)) * 8000).astype(np.int16)
    assert reply_time._first_loud(_as_it_came(np.pad(tone, (7000, 360)))) == pytest.approx(100 + 7000 / 16000, abs=2e-4)
    with pytest.raises(VoicelogError, match="no speech"):
        reply_time._end_of_speech(_as_it_came(np.zeros(32000, np.int16)))
    with pytest.raises(VoicelogError, match="gave no reply"):
        reply_time._first_loud(_as_it_came(np.zeros(32000, np.int16)))
    with pytest.raises(VoicelogError, match="no reply"):
        reply_time.figures([])


def test_what_a_session_of_the_soak_missed_is_found_wherever_it_is() -> None:
    assert soak._missing(list("abcd"), list("abcd")) == []
    assert soak._missing(list("abcd"), list("bxd")) == [0, 2]
    assert soak._missing(list("ab"), []) == [0, 1]


def test_a_leak_shows_between_the_first_and_the_last_quarter() -> None:
    rounds = [Round(100.0 * n, 200.0 + n, 42, 42 - (n == 3), 0, (), 0.3, 50, 1.0, 2.0) for n in range(1, 13)]
    found = soak._sum(rounds, 0)
    assert (found.memory_first_quarter_mb, found.memory_last_quarter_mb) == (202.0, 211.0)
    assert (found.right, found.expected, found.sessions, found.sound_s) == (503, 504, 12, 1200.0)


@pytest.mark.skipif(sys.platform != "linux", reason="memory is asked of /proc")
def test_memory_that_is_taken_shows() -> None:
    before = soak.memory_mb()
    held = np.ones(10_000_000, np.int64)
    assert soak.memory_mb() - before > 70 and held[0]
