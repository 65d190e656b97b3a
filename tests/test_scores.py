"""Scores out of the other process: the same as in this one, whatever happens to that process."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from itertools import islice
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

from voicelog.audio import read_sound
from voicelog.hearing import scores
from voicelog.hearing.phones import Costs, ScoreFile
from voicelog.hearing.pocketsphinx_engine import SHORTEST_S
from voicelog.hearing.scores import ScoredFrames, Scorer, plain_scorer
from voicelog.hearing.scoring_process import NARROW
from voicelog.hearing.sphinx import as_bytes, decode, model_folder, open_decoder
from voicelog.rehearse.mllr import Transform
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
DEADLINE_S = 20.0


class SpokenOn(Exception):
    """What breaks off the wait for scores."""


def sound_of(name: str) -> Frames:
    return np.concatenate(list(read_sound(FIXTURES / "calls" / name)))


SOUND = sound_of("flite_awb/06.flac")
OTHER = sound_of("flite_rms/01.flac")
LONG = np.tile(SOUND, 10)


@pytest.fixture(scope="module")
def scorer() -> Scorer:
    return Scorer()


def here(sound: Frames, folder: Path) -> Costs:
    """The scores that the library reckons in this process, with its whole dictionary."""
    words = str(model_folder() / "cmudict-en-us.dict")
    decoder = open_decoder(dict=words, senlogdir=str(folder), **NARROW)
    decoder.add_fsg("any", decoder.create_fsg("any", 0, 1, [(0, 1, 1.0, "<sil>")]))
    decoder.activate_search("any")
    decode(decoder, as_bytes(sound))
    (dump,) = folder.glob("*.sen")
    file = ScoreFile(dump)
    try:
        return file.more()
    finally:
        file.close()


def all_of(costs: ScoredFrames) -> Costs:
    return np.array(list(costs))


def wait_until(over: object, *, deadline_s: float = DEADLINE_S) -> None:
    until = time.monotonic() + deadline_s
    assert callable(over)
    while not over():
        assert time.monotonic() < until
        time.sleep(0.02)


def test_the_scores_are_those_of_this_process_one_sound_after_another(scorer: Scorer, tmp_path: Path) -> None:
    for number, sound in enumerate((SOUND, OTHER, SOUND)):
        folder = tmp_path / str(number)
        folder.mkdir()
        costs = scorer.costs(sound)
        assert np.array_equal(all_of(costs), here(sound, folder))
        # A second time they come from memory.
        assert np.array_equal(all_of(costs), here(sound, folder))


def test_frames_come_while_others_are_being_scored(scorer: Scorer) -> None:
    costs = scorer.costs(LONG)
    first = next(iter(costs))
    assert not costs.whole
    # Two that read the same, in turns.
    ones, others = iter(costs), iter(costs)
    assert all(np.array_equal(one, other) for one, other in zip(islice(ones, 100), islice(others, 100), strict=True))
    assert np.array_equal(next(iter(costs)), first)
    assert len(list(ones)) == len(list(others)) == len(all_of(costs)) - 100
    assert costs.whole


def test_a_sound_that_is_broken_off_disturbs_none_after_it(scorer: Scorer) -> None:
    expected, whole = all_of(scorer.costs(SOUND)), all_of(scorer.costs(LONG))
    looks = 0

    def check() -> None:
        nonlocal looks
        looks += 1
        if looks == 4:
            raise SpokenOn

    costs = scorer.costs(LONG, check)
    with pytest.raises(SpokenOn):
        all_of(costs)
    # Who asks again waits for what is missing, rather than to take what came for all of it.
    assert np.array_equal(all_of(costs), whole)
    looks = 0
    with pytest.raises(SpokenOn):
        all_of(scorer.costs(LONG, check))
    never_read = scorer.costs(LONG)
    assert np.array_equal(all_of(scorer.costs(SOUND)), expected)
    assert not never_read.whole
    assert list(scorer.folder.iterdir()) == []


def test_what_the_wait_meets_is_not_taken_for_a_full_disk(scorer: Scorer) -> None:
    def check() -> None:
        raise ValueError("of the session itself")

    with pytest.raises(ValueError, match="of the session itself"):
        all_of(scorer.costs(SOUND, check))
    assert len(all_of(scorer.costs(SOUND)))


def test_after_a_sound_that_cannot_be_scored_the_next_one_can(scorer: Scorer) -> None:
    with pytest.raises(VoicelogError, match="could not keep its scores there"):
        all_of(scorer.costs(SOUND[:0]))
    assert len(all_of(scorer.costs(SOUND)))


def test_the_shortest_sound_that_is_heard_has_few_frames(scorer: Scorer) -> None:
    shortest = round(SHORTEST_S * SAMPLE_RATE)
    assert 0 < len(all_of(scorer.costs(SOUND[:shortest]))) <= 100 * SHORTEST_S + 1


def test_a_process_that_is_killed_is_replaced_and_no_frame_is_lost() -> None:
    scorer = Scorer()
    expected = all_of(scorer.costs(LONG))
    costs = scorer.costs(LONG)
    rows = iter(costs)
    first = list(islice(rows, 500))
    scorer.process.kill()
    assert np.array_equal(np.array([*first, *rows]), expected)
    # Between two sounds too.
    scorer.process.kill()
    scorer.process.wait()
    assert np.array_equal(all_of(scorer.costs(LONG)), expected)


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals on Windows")
def test_a_process_that_is_stuck_is_replaced(monkeypatch: pytest.MonkeyPatch) -> None:
    scorer = Scorer()
    expected = all_of(scorer.costs(LONG))
    monkeypatch.setattr(scores, "STUCK_S", 3.0)
    # Before it is asked, and in the middle.
    scorer.process.send_signal(signal.SIGSTOP)
    assert np.array_equal(all_of(scorer.costs(LONG)), expected)
    rows = iter(scorer.costs(LONG))
    first = list(islice(rows, 500))
    stuck = scorer.process
    stuck.send_signal(signal.SIGSTOP)
    assert np.array_equal(np.array([*first, *rows]), expected)
    assert stuck.poll() is not None and scorer.process.poll() is None


def test_a_process_that_ends_twice_is_told_and_replaced() -> None:
    scorer = Scorer()
    costs = scorer.costs(LONG)
    with pytest.raises(VoicelogError, match="has ended twice; make room"):
        for _ in costs:
            scorer.process.kill()
            scorer.process.wait()
    assert len(all_of(scorer.costs(SOUND)))


def test_scores_that_are_cut_off_are_no_shorter_call(scorer: Scorer, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk may take whole frames at the end: nothing in the file tells."""
    whole = ScoreFile.more

    def less(self: ScoreFile) -> Costs:
        rows = whole(self)
        return rows[: len(rows) - 3]

    monkeypatch.setattr(ScoreFile, "more", less)
    with pytest.raises(VoicelogError, match=r"could not keep its scores there .*; make room there"):
        all_of(scorer.costs(SOUND))


def test_where_there_is_no_room_in_memory_another_folder_is_taken(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(scores, "ROOM", 1 << 62)
    monkeypatch.setattr(scores.tempfile, "tempdir", str(tmp_path))
    scorer = Scorer()
    assert scorer.folder.parent == tmp_path
    assert len(all_of(scorer.costs(SOUND)))


def test_a_transform_is_kept_though_its_file_goes(tmp_path: Path) -> None:
    file = tmp_path / "transform"
    moved = Transform(np.tile(np.eye(13), (3, 1, 1)), np.ones((3, 13)))
    file.write_text(moved.as_text(), encoding="ascii")
    scorer = Scorer(file)
    file.unlink()
    changed = all_of(scorer.costs(SOUND))
    scorer.process.kill()
    assert np.array_equal(all_of(scorer.costs(SOUND)), changed)
    assert not np.array_equal(changed, all_of(Scorer().costs(SOUND)))


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals on Windows")
def test_control_c_is_left_to_the_session(tmp_path: Path) -> None:
    """From the first moment on, and to all in the terminal, as a terminal sends it."""
    with scoring_program(tmp_path) as session:
        assert session.stdout is not None
        pid, _ = session.stdout.readline().split()
        os.killpg(session.pid, signal.SIGINT)
        told = session.communicate(timeout=DEADLINE_S)[1]
    assert told.count("Traceback") == 1 and told.rstrip().endswith("KeyboardInterrupt")
    wait_until(lambda: not alive(int(pid)))


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals on Windows")
@pytest.mark.parametrize("how", ["SIGKILL", "SIGTERM", "SIGHUP"])
@pytest.mark.parametrize("busy", [False, True])
def test_with_a_killed_session_its_process_ends_and_its_files_go(how: str, busy: bool, tmp_path: Path) -> None:
    with scoring_program(tmp_path, busy=busy) as session:
        assert session.stdout is not None
        pid, folder = session.stdout.readline().split()
        assert alive(int(pid)) and Path(folder).is_dir()
        os.killpg(session.pid, getattr(signal, how))
    wait_until(lambda: not alive(int(pid)))
    assert not Path(folder).exists()


def test_a_folder_with_files_named_as_modules_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("struct", "queue", "signal", "calendar", "voicelog"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit('of another make')\n")
    monkeypatch.chdir(tmp_path)
    assert len(all_of(Scorer().costs(SOUND)))


def test_a_scorer_that_could_not_begin_again_does_so_later(monkeypatch: pytest.MonkeyPatch) -> None:
    scorer = Scorer()
    with monkeypatch.context() as full:
        full.setattr(scores, "_scratch", no_room)
        scorer.process.kill()
        scorer.process.wait()
        with pytest.raises(VoicelogError, match="cannot be begun"):
            all_of(scorer.costs(SOUND))
    assert len(all_of(scorer.costs(SOUND)))


def no_room() -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_a_process_of_multiprocessing_may_score_and_ends() -> None:
    """As the workers of the benchmark do."""
    with get_context("spawn").Pool(1) as pool:
        assert pool.apply(frames_of, (SOUND,)) == len(all_of(Scorer().costs(SOUND)))
        pool.close()
        pool.join()


def frames_of(sound: Frames) -> int:
    return len(all_of(plain_scorer().costs(sound)))


def scoring_program(folder: Path, *, busy: bool = False) -> subprocess.Popen[str]:
    """A program without a guard against being run again, in a process group of its own."""
    program = folder / "scoring.py"
    program.write_text(
        "import time\n"
        "from voicelog.hearing.scores import Scorer\n"
        "scorer = Scorer()\n"
        + ("import numpy\nnext(iter(scorer.costs(numpy.ones(16000 * 60, 'i2'))))\n" if busy else "")
        + "print(scorer.process.pid, scorer.folder, flush=True)\n"
        "time.sleep(60)\n"
    )
    return subprocess.Popen(
        [sys.executable, str(program)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # Ended, and nobody has asked how: it has no parent here that would.
    stat = Path(f"/proc/{pid}/stat")
    return not (stat.exists() and stat.read_text(encoding="utf-8").rpartition(")")[2].split()[0] == "Z")
