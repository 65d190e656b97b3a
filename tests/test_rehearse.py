"""Rehearsals on recorded prompts with the real recogniser, and what they change."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given
from hypothesis import settings as checks
from hypothesis import strategies as st

from voicelog.audio import SilentSpeaker, find_voice
from voicelog.beginning import Beginning
from voicelog.cli import main
from voicelog.grammar import Grammars
from voicelog.hearing.sphinx import model_folder
from voicelog.places import shipped
from voicelog.rehearse import VoiceProfile, load_profile, prompts_for, save_profile
from voicelog.rehearse.acoustic import read_model
from voicelog.rehearse.levels import SPEECH_DBFS, advice, levels_of
from voicelog.rehearse.live import ask_for
from voicelog.rehearse.mllr import identity
from voicelog.rehearse.slips import NOTHING, slips, tally
from voicelog.rehearse.thresholds import Thresholds, best_thresholds, cost
from voicelog.session import Purpose
from voicelog.values import Frames, VoicelogError
from voicelog.wiring import open_sitting, settings_now

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
CALLS = [
    line
    for line in map(json.loads, (FIXTURES / "calls.jsonl").read_text(encoding="utf-8").splitlines())
    if line["voice"] == "flite_slt"
][4:12]
ROSTER = ",".join(str(line["record"]["band"]) for line in CALLS)
WRONG = 2
"""The prompt of this number asks for another sex than the recording has."""


@pytest.fixture
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings folder of its own, without noise suppression, which is slow to start."""
    folder = tmp_path / "settings"
    folder.mkdir()
    (folder / "voicelog.toml").write_text('noise = "none"\n', encoding="utf-8")
    monkeypatch.setenv("VOICELOG_CONFIG", str(folder / "voicelog.toml"))
    return folder


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["rehearse", *map(str, arguments)])


def prompt_file(folder: Path, prompts: list[str]) -> Path:
    path = folder / "prompts.txt"
    path.write_text("\n".join(prompts) + "\n", encoding="utf-8")
    return path


def test_a_rehearsal_names_the_word_that_failed_and_is_used_afterwards(settings: Path, tmp_path: Path) -> None:
    prompts = [line["said"] for line in CALLS]
    assert prompts[WRONG].endswith("cock")
    prompts[WRONG] = prompts[WRONG].replace("cock", "hen")
    files = [FIXTURES / line["file"] for line in CALLS]
    arguments = ("--roster", ROSTER, "--prompts", prompt_file(tmp_path, prompts), "--from", *files, "--save")
    done = run(*arguments)
    assert done.exit_code == 0, done.output
    assert f"right: {len(CALLS) - 1} of {len(CALLS)} prompts" in done.output
    assert re.search(r"hen: failed 1 of \d, taken for “cock”", done.output)
    assert re.search(r"held-back prompts right 7 without, \d with, of 8", done.output)

    profile = load_profile(settings / "voice.toml")
    assert profile.speech_dbfs == pytest.approx(SPEECH_DBFS, abs=1.5)
    assert (profile.prompts, profile.right) == (len(CALLS), len(CALLS) - 1)
    written = (settings / "voice.toml").read_text(encoding="utf-8")
    (settings / "voice.toml").write_text(
        re.sub(r"accept_from = [\d.]+", "accept_from = 0.99", written), encoding="utf-8"
    )
    profile = load_profile(settings / "voice.toml")
    assert profile.accept_from == 0.99
    assert settings_now().accept_from == profile.accept_from
    (settings / "voicelog.toml").write_text('noise = "none"\naccept_from = 0.9\n', encoding="utf-8")
    assert settings_now().accept_from == 0.9
    assert {path.suffix for path in settings.iterdir()} <= {".toml", ".mllr"}
    again = run(*arguments[:2], "--prompts", prompt_file(tmp_path, prompts[:1]), "--from", files[0], "--save")
    assert again.exit_code == 0, again.output
    assert "in place of that of" in again.output and "it takes 8 prompts" in again.output


def test_nothing_is_kept_without_save(settings: Path, tmp_path: Path) -> None:
    file = prompt_file(tmp_path, [CALLS[0]["said"]])
    done = run("--roster", ROSTER, "--prompts", file, "--from", FIXTURES / CALLS[0]["file"])
    assert done.exit_code == 0, done.output
    assert [path.name for path in settings.iterdir()] == ["voicelog.toml"]


def test_a_faint_voice_is_told_and_heard_all_the_same(settings: Path, tmp_path: Path) -> None:
    call, file = CALLS[0], tmp_path / "faint.wav"
    sound, rate = soundfile.read(FIXTURES / call["file"])
    soundfile.write(file, sound * 10 ** (-30 / 20), rate, subtype="PCM_16")
    done = run("--roster", ROSTER, "--prompts", prompt_file(tmp_path, [call["said"]]), "--from", file, "--save")
    assert done.exit_code == 0, done.output
    assert "right: 1 of 1" in done.output and "the voice is faint" in done.output
    assert 27 <= settings_now().gain_db <= 33


def bad(kind: str, folder: Path) -> list[object]:
    """Arguments for one prompt that cannot be rehearsed."""
    file = folder / "a.wav"
    arguments: list[object] = ["--prompts", prompt_file(folder, ["band five hen"]), "--roster", "5", "--save", "--from"]
    match kind:
        case "missing folder":
            return [*arguments, folder / "nowhere"]
        case "too few files":
            (folder / "sounds").mkdir()
            return [*arguments, folder / "sounds"]
        case "silence":
            soundfile.write(file, np.zeros(32_000), 16_000)
        case "no sound file":
            file.write_text("words", encoding="utf-8")
        case "no call":
            prompt_file(folder, ["good morning"])
        case "no prompt":
            prompt_file(folder, [""])
        case "a strange profile":
            (folder / "notes.toml").write_text("mine = 1", encoding="utf-8")
            prompt_file(folder, ["band thirteen hen"])
            arguments[3] = "13"
            return [*arguments, FIXTURES / CALLS[0]["file"], "--profile", folder / "notes.toml"]
    return [*arguments, file]


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("missing folder", "nowhere"),
        ("too few files", "0 recordings for 1 prompts"),
        ("silence", "no speech"),
        ("no sound file", "not a sound file"),
        ("no call", "prompts.txt:1"),
        ("no prompt", "holds no prompt"),
        ("a strange profile", "notes.toml"),
    ],
)
def test_bad_input_is_told_in_one_line_and_nothing_written(
    settings: Path, tmp_path: Path, kind: str, says: str
) -> None:
    arguments = bad(kind, tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    done = run(*arguments)
    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1 and done.stderr.startswith("voicelog: ") and says in done.stderr
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_without_sound_in_it_says_so(settings: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)  # as where it is not installed
    done = run("--shown")
    assert done.exit_code == 2
    assert "no sound in or out" in done.stderr and done.stderr.count("\n") == 1


def has_portaudio() -> bool:
    try:
        import sounddevice  # noqa: F401
    except OSError:
        return False
    return True


@pytest.mark.skipif(sys.platform != "linux" or not has_portaudio(), reason="needs PortAudio over ALSA")
def test_live_the_prompt_is_read_out_and_the_answer_heard(settings: Path, tmp_path: Path) -> None:
    """PortAudio and ALSA as they are, with a device of ALSA's own that plays into a file and records from one."""
    call = CALLS[0]
    spoken, _ = soundfile.read(FIXTURES / call["file"], dtype="int16")
    heard, played = tmp_path / "heard.raw", tmp_path / "played.raw"
    np.concatenate([np.zeros(16_000, np.int16), spoken, np.zeros(64_000, np.int16)]).tofile(heard)
    config = tmp_path / "asound.conf"
    config.write_text(
        f'pcm.!default {{ type file file "{played}" infile "{heard}" format "raw" slave.pcm "null" }}\n'
        "pcm.null { type null }\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, "-m", "voicelog", "rehearse", "--roster", str(call["record"]["band"]), "--prompts",
         str(prompt_file(tmp_path, [call["said"]]))],
        env={**os.environ, "ALSA_CONFIG_PATH": str(config)}, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert f"1 of 1: {call['said']}" in done.stdout
    assert "right: 1 of 1 prompts" in done.stdout


class Microphone:
    """Gives what is put into it, and notes what happened when."""

    def __init__(self, answers: list[Frames | None], happened: list[str]) -> None:
        self.answers, self.happened = answers, happened

    def record(self, gain_db: float) -> Frames | None:
        self.happened.append(f"listened at {gain_db:.0f} dB")
        return self.answers.pop(0)


class Mouth(SilentSpeaker):
    def __init__(self, happened: list[str]) -> None:
        self.happened = happened

    def play(self, sound: Frames, rate: int, at_s: float | None = None) -> None:
        self.happened.append("spoke")


def test_it_prompts_again_where_nobody_spoke_and_never_listens_to_itself() -> None:
    happened: list[str] = []
    said = np.ones(10, np.int16)
    voice = find_voice()
    assert ask_for(("hen",), Microphone([None, said], happened), voice, Mouth(happened)) is said
    assert happened == ["spoke", "listened at 0 dB", "spoke", "listened at 15 dB"]
    with pytest.raises(VoicelogError, match="nobody spoke"):
        ask_for(("hen",), Microphone([None, None, None], happened), None, Mouth(happened))


def test_a_broken_profile_is_told(settings: Path) -> None:
    (settings / "voice.toml").write_text("made = yesterday", encoding="utf-8")
    done = CliRunner().invoke(main, ["engine"])
    assert done.exit_code == 2 and "voice.toml" in done.stderr


PROFILE = VoiceProfile(
    made=date(2026, 5, 1), engine="pocketsphinx", prompts=20, right=19, accept_from=0.7, ask_from=0.3, gain_db=0,
    speech_dbfs=-23, noise_dbfs=-60,
)  # fmt: skip


def test_a_kept_transform_lies_beside_the_profile_and_sessions_use_it(settings: Path) -> None:
    path = settings / "voice.toml"
    save_profile(path, PROFILE, identity(read_model(model_folder() / "en-us")))
    (transform,) = settings.glob("*.mllr")
    assert load_profile(path) == PROFILE.model_copy(update={"mllr": transform.name})
    assert (
        open_sitting(settings_now(), None, Beginning(Purpose(), (13,)), None).state.settings.policy.accept_from == 0.7
    )
    transform.write_text("1 3 broken", encoding="utf-8")
    with pytest.raises(VoicelogError, match=transform.name):
        open_sitting(settings_now(), None, Beginning(Purpose(), (13,)), None)
    assert save_profile(path, PROFILE, None) == PROFILE.model_copy(update={"mllr": transform.name})
    assert load_profile(path) == PROFILE
    assert not transform.exists()


def test_prompts_hold_every_word_and_a_keepers_own(tmp_path: Path) -> None:
    folder = tmp_path / "grammars"
    shutil.copytree(shipped("grammars"), folder)
    file = folder / "call.gram"
    file.write_text(file.read_text(encoding="utf-8").replace("female | hen", "female | hen | pullet"), encoding="utf-8")
    grammar = Grammars(folder).compile("call", range(1, 300))
    prompts = prompts_for(grammar)
    assert 20 <= len(prompts) <= 26
    assert {word for prompt in prompts for word in prompt} == grammar.network.words
    assert "pullet" in grammar.network.words
    assert all(grammar.network.accepts(prompt) for prompt in prompts)
    assert prompts == prompts_for(grammar)


def test_slips_are_laid_side_by_side() -> None:
    said = ["band", "fifteen", "hen", "foam", "no"]
    heard = ["band", "fifty", "hen", "hen", "no"]
    assert slips(said, heard) == [("fifteen", "fifty"), ("foam", "hen")]
    assert slips(["hen"], ["hen", "yes"]) == [(NOTHING, "yes")]
    assert slips(["hen", "yes"], ["hen"]) == [("yes", NOTHING)]
    words = tally([(said, heard), (said, said)])
    assert words["fifteen"].taken_for == {"fifty": 1} and words["fifteen"].right == 1
    assert words["no"].said == 2 and words["no"].right == 2


OUTCOMES = st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=20)


@checks(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # so that a busy machine fails nothing
@given(outcomes=OUTCOMES, accept=st.floats(0.3, 0.95), ask=st.floats(0, 0.3))
def test_thresholds_never_cost_more_nor_accept_more(
    outcomes: list[tuple[float, bool]], accept: float, ask: float
) -> None:
    now = Thresholds(accept, ask)
    chosen = best_thresholds(now, outcomes)
    assert cost(chosen, outcomes) <= cost(now, outcomes)
    assert chosen.accept_from >= accept and chosen.ask_from <= chosen.accept_from


def test_thresholds_stay_where_all_is_right_and_rise_over_a_silent_error() -> None:
    now = Thresholds(0.6, 0.3)
    assert best_thresholds(now, [(0.9, True)] * 20) == now
    assert best_thresholds(now, [(0.9, True)] * 19 + [(0.72, False)]).accept_from == 0.75


def spoken(speech_dbfs: float, noise_dbfs: float, seconds: float = 4.0) -> Frames:
    """Half of it a tone that stands for speech, all of it white noise."""
    t = np.arange(int(seconds * 16_000)) / 16_000
    tone = np.where(t % 2 < 1, np.sqrt(2) * 10 ** (speech_dbfs / 20) * np.sin(2 * np.pi * 440 * t), 0)
    noise = np.random.default_rng(3).normal(0, 10 ** (noise_dbfs / 20), len(t))
    return np.rint(np.clip(tone + noise, -1, 32767 / 32768) * 32768).astype(np.int16)


@pytest.mark.parametrize(
    ("speech", "noise", "advised"),
    [(-23, -60, None), (-45, -70, "up"), (-23, -33, "closer"), (1, -60, "down")],
)
def test_levels_are_measured_and_the_advice_fits(speech: float, noise: float, advised: str | None) -> None:
    levels = levels_of([spoken(speech, noise)])
    assert levels.noise == pytest.approx(noise, abs=1)
    if advised != "down":
        assert levels.speech == pytest.approx(speech, abs=1)
    told = advice(levels)
    assert [advised in line for line in told] == [True] if advised else told == []
