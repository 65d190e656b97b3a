"""The benchmark's run: systems, figures, resuming, the command, sound that is no call."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from voicelog.audio import read_sound
from voicelog.bench import Cache, Trial, grid
from voicelog.bench.calls import pens
from voicelog.bench.outside import Stream, listen_outside, noise_streams, outside_table
from voicelog.bench.result import Result as Outcome
from voicelog.bench.result import ResultsFile
from voicelog.bench.run import made_with, run
from voicelog.bench.score import reliability, score, share
from voicelog.bench.spelled import spelled_out
from voicelog.bench.systems import Decision, put_to, system_named
from voicelog.cli import main
from voicelog.config import Config
from voicelog.grammar import CallSaid, Grammars, read_typed
from voicelog.places import shipped
from voicelog.values import SAMPLE_RATE, Call, Frames, Verdict, VoicelogError


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Cache:
    return Cache(tmp_path_factory.mktemp("sounds"))


@pytest.fixture(scope="module")
def trials(cache: Cache) -> list[Trial]:
    return list(grid(["espeak_us"], ["pink"], cache, ratios_db=[None, 15.0], rosters=["pen"], calls=2))


def bench(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["bench", "hearing", *arguments])


def outcome(verdict: str, right: bool, certainty: float = 0.5) -> Outcome:
    return Outcome(
        system="ours", key="k", voice="flite_slt", noise="pink", snr_db=10.0, room="none", roster="pen", said="a",
        heard="b", verdict=Verdict(verdict), reason="", heard_right=right, record_right=right, certainty=certainty,
        audio_s=4.0, compute_s=1.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("count", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_interval_as_published(count: int, of: int, low: float, high: float) -> None:
    # Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 3 (from memory).
    found = share(count, of)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


def test_a_cell_is_counted_by_what_became_of_its_calls() -> None:
    cell = [
        *(outcome("accept", True) for _ in range(5)),
        outcome("accept", False),
        outcome("ask", True, 0.8),
        outcome("ask", True, 0.97),
        outcome("ask", False, 0.97),
        outcome("reject", False),
    ]
    got = score(cell)
    asked = (got.asked.count, got.asked_right, got.asked_by_rule)
    assert (got.right.count, got.silent.count, asked, got.rejected.count) == (5, 1, (3, 2, 1), 1)
    assert got.right.of == 10 and got.real_time_factor == 0.25 and got.compute_s == 1.0


def test_brier_score_and_reliability_by_hand() -> None:
    told = reliability([outcome("accept", True, 0.9), outcome("accept", False, 0.9), outcome("reject", False, 0.2)])
    assert told is not None
    assert told.brier == pytest.approx((0.01 + 0.81 + 0.04) / 3)
    assert told.base_brier == pytest.approx(1 / 3 * 2 / 3)
    assert [(b.mean_certainty, b.right.count, b.right.of) for b in told.bins] == [(0.2, 0, 1), (0.9, 1, 2)]
    assert told.calibration_error == pytest.approx((0.2 * 1 + 0.4 * 2) / 3)
    assert reliability([]) is None


@pytest.mark.parametrize(
    ("text", "call"),
    [
        ("Band 42, male, foam yes.", Call(band=42, sex="male", foam="yes")),
        ("Band 1-0-7, hen.", Call(band=107, sex="female")),
        ("band 15 14.5 oz to pen 12", Call(band=15, weight_g=411.1, pen="12")),
        ("Band 266. 410g", Call(band=266, weight_g=410.0)),
        ("Band one oh seven, femail, keep!", Call(band=107, sex="female", fate="keep")),
    ],
)
def test_the_text_of_an_open_recogniser_is_read_as_a_call(text: str, call: Call) -> None:
    grammars = Grammars(shipped("grammars"))
    assert read_typed(spelled_out(text), grammars.compile("call"), grammars).utterance == CallSaid(call=call)


class Saying:
    """A system that always answers the same."""

    def __init__(self, decision: Decision) -> None:
        self._decision = decision

    def hear(self, frames: Frames, pen: tuple[int, ...]) -> Decision:
        assert len(frames) > SAMPLE_RATE and len(pen) == 40
        return self._decision


def test_an_accepted_record_that_was_not_said_is_a_silent_error(trials: list[Trial]) -> None:
    trial = trials[0]
    other = trial.truth.model_copy(update={"band": next(band for band in trial.pen if band != trial.truth.band)})
    for verdict, record, silent in (
        (Verdict.ACCEPT, trial.truth, False),
        (Verdict.ACCEPT, other, True),
        (Verdict.ACCEPT, None, True),  # A pause or a note was written in place of the call.
        (Verdict.ASK, other, False),
    ):
        made = put_to("ours", Saying(Decision(" ".join(trial.words), 0.5, verdict, "", record)), trial)
        assert made.silent_error is silent
        assert made.heard_right and made.record_right is (record == trial.truth)


def heard(results: ResultsFile) -> dict[str, dict[str, object]]:
    return {result.key: result.model_dump(exclude={"compute_s"}) for result in results}


def test_a_run_that_was_killed_goes_on_where_it_stopped(tmp_path: Path, trials: list[Trial]) -> None:
    tasks = [("plain", trial) for trial in trials]
    path = tmp_path / "killed.jsonl"
    with ResultsFile(tmp_path / "whole.jsonl", "x") as whole:
        assert len(list(run(tasks, Config(), whole))) == 4
    killed = ResultsFile(path, "x")
    running = run(tasks, Config(), killed)
    first = [next(running), next(running)]
    with path.open("a") as file:
        file.write('{"system": "plain", "ke')  # A kill in the middle of a line.
    with ResultsFile(path, "x") as again:
        assert list(again) == first
        assert len(list(run(tasks, Config(), again, workers=2))) == 2
        assert heard(again) == heard(whole)
    with ResultsFile(path, "x") as after:
        assert heard(after) == heard(whole)
        assert list(run(tasks, Config(), after)) == []


def test_other_code_or_settings_never_share_a_file(tmp_path: Path) -> None:
    assert made_with(Config()) == made_with(Config(voice="en-gb"))
    assert made_with(Config()) != made_with(Config(noise="none")) != made_with(Config(noise="none", accept_from=0.9))
    ResultsFile(tmp_path / "a", made_with(Config())).__exit__()
    with pytest.raises(VoicelogError, match="other code or settings"):
        ResultsFile(tmp_path / "a", made_with(Config(noise="none")))


def test_whatever_words_the_settings_name_a_change_to_them_or_to_the_shipped_ones_starts_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home, ours = tmp_path / "home", tmp_path / "shipped"
    shutil.copytree(shipped("grammars"), ours)
    shutil.copytree(shipped("grammars"), home / "g")
    (home / "yard.toml").write_text('pens = ["meadow"]')
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setattr("voicelog.bench.run.shipped", lambda *parts: ours.joinpath(*parts[1:]))
    config = Config(yard=Path("~/yard.toml"), grammars=Path("~/g"))
    stamps = [made_with(config)]
    for file in (home / "yard.toml", home / "g" / "call.gram", ours / "call.gram"):
        file.write_text(file.read_text(encoding="utf-8") + "\n", encoding="utf-8")
        stamps.append(made_with(config))
    assert len(set(stamps)) == 4
    assert made_with(Config(language="es")) != made_with(Config())


@pytest.mark.parametrize(
    ("config", "message"),
    [
        (Config(yard=Path("/nowhere/yard.toml")), r"^/nowhere/yard\.toml: cannot be read .*; name a yard file"),
        (Config(grammars=Path("/nowhere")), "^/nowhere: no such folder; give a folder of .gram files$"),
        (Config(yard=Path("~nosuch/y.toml")), "there is no home folder ~nosuch"),
    ],
)
def test_words_that_are_not_there_are_told_before_anything_is_heard(config: Config, message: str) -> None:
    with pytest.raises(VoicelogError, match=message):
        made_with(config)


def test_a_small_grid_from_end_to_end(tmp_path: Path, cache: Cache) -> None:
    arguments = [
        "--voices", "espeak_us", "--noises", "pink", "--snr", "clean", "--rosters", "pen", "--calls", "2",
        "--systems", "ours,plain,open", "--cache", str(cache.folder), "--json", str(tmp_path / "a.json"),
        "--picture", str(tmp_path / "a.png"), "--reliability", str(tmp_path / "b.png"),
    ]  # fmt: skip
    done = bench(*arguments)
    assert done.exit_code == 0, done.output
    figures = json.loads((tmp_path / "a.json").read_text())
    assert {row["system"] for row in figures["cells"]} == {"ours", "plain", "open"}
    for row in figures["cells"]:
        parts = (row["right"], row["asked"], row["rejected"], row["silent"])
        assert sum(part["count"] for part in parts) == row["calls"] == 2
        assert row["real_time_factor"] > 0
    for picture in ("a.png", "b.png"):
        assert (tmp_path / picture).read_bytes().startswith(b"\x89PNG")
    # The second time all comes from the file of results, the times too.
    again = bench(*arguments)
    assert again.output == done.output
    assert json.loads((tmp_path / "a.json").read_text()) == figures


FIXTURES = Path(__file__).parents[1] / "audio_fixtures"


def test_streams_that_are_no_call_show_what_is_written(cache: Cache) -> None:
    calls = list(map(json.loads, (FIXTURES / "calls.jsonl").read_text(encoding="utf-8").splitlines()))
    by_one_voice = [call for call in calls if call["voice"] == "flite_rms"]
    seed, clear = next((n, call) for n in range(1, 99) for call in by_one_voice if call["record"]["band"] in pens(n)[0])
    said = np.concatenate(list(read_sound(FIXTURES / clear["file"])))
    pause = np.zeros(SAMPLE_RATE, np.int16)
    noise = next(noise_streams(["pink"], cache, 0.05)).frames
    told = listen_outside(Stream("mixed", "speech", np.concatenate([pause, said, pause, noise])), Config(), seed)
    assert told.utterances >= 1 and told.minutes == pytest.approx(0.05 + (len(said) / SAMPLE_RATE + 2) / 60)
    assert told.calls + told.asked >= 1, told
    silent = listen_outside(Stream("silence", "noise", np.concatenate([pause] * 5)), Config(), 1)
    assert (silent.utterances, silent.calls, silent.asked) == (0, 0, 0)
    lines = list(outside_table([told, silent]))
    assert any(line.startswith("all speech") for line in lines) and any(line.startswith("all noise") for line in lines)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--voices", "nobody"], "no voice is called nobody"),
        (["--noises", "thunder"], "no noise is called thunder"),
        (["--snr", "loud"], "speech over noise loud"),
        (["--rosters", "some"], "no roster is called some"),
        (["--rooms", "hall"], "no room is called hall"),
        (["--systems", "best"], "no system is called best"),
        (["--noise", "magic"], "no noise stage is called magic"),
        (["--json", "/nowhere/a.json"], "/nowhere"),
        (["--cache", "/dev/null/x"], "--cache"),
        (["--results", "FILE"], "--results"),
        (["--results", "/dev/null/x"], "--results"),
    ],
)
def test_wrong_input_is_told_in_one_line_with_status_2(tmp_path: Path, arguments: list[str], says: str) -> None:
    (tmp_path / "broken").write_text("no results\n")
    given = [str(tmp_path / "broken") if word == "FILE" else word for word in arguments]
    small = ["--voices", "espeak_us", "--noises", "pink", "--calls", "1", "--snr", "clean", "--cache", str(tmp_path)]
    done = bench(*small, *given)
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1 and done.stderr.startswith("voicelog: ") and says in done.stderr


@pytest.mark.parametrize("module", ["scipy.stats", "faster_whisper", "matplotlib.figure"])
def test_a_missing_extra_is_told(tmp_path: Path, cache: Cache, monkeypatch: pytest.MonkeyPatch, module: str) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    done = bench(
        "--voices", "espeak_us", "--snr", "clean", "--calls", "1", "--systems", "open", "--rosters", "pen",
        "--cache", str(cache.folder), "--results", str(tmp_path / "r"), "--picture", str(tmp_path / "a.png"),
    )  # fmt: skip
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1 and "pip install 'voicelog[bench]'" in done.stderr


def test_voices_that_are_not_installed_are_left_out_and_told(cache: Cache, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    done = bench("--voices", "flite_rms,festival_ked", "--snr", "clean", "--cache", str(cache.folder))
    assert done.exit_code == 2
    assert "left out: voice flite_rms: apt-get install flite" in done.stderr
    assert "no voice that was asked for can be had here" in done.stderr


def test_what_was_heard_before_changes_nothing(trials: list[Trial]) -> None:
    ours = system_named("ours", Config(noise="none"))
    first, second = trials[0], trials[1]
    once = [ours.hear(trial.frames, trial.pen) for trial in (first, second)]
    assert [ours.hear(trial.frames, trial.pen) for trial in (second, first)] == once[::-1]
