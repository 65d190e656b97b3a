"""Scores out of the other process: the same as in this one, whatever happens to that process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from voicelog.audio import read_sound
from voicelog.hearing.phones import Costs, ScoreFile
from voicelog.hearing.pocketsphinx_engine import SHORTEST_S
from voicelog.hearing.scores import NARROW, ScoredFrames, Scorer
from voicelog.hearing.sphinx import as_bytes, decode, model_folder, open_decoder
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
    next(iter(costs))
    assert not costs._done.done()
    assert len(all_of(costs)) == costs._done.result()[0]


def test_a_sound_that_is_broken_off_disturbs_none_after_it(scorer: Scorer) -> None:
    expected = all_of(scorer.costs(SOUND))
    looks = 0

    def check() -> None:
        nonlocal looks
        looks += 1
        if looks > 3:
            raise SpokenOn

    with pytest.raises(SpokenOn):
        all_of(scorer.costs(LONG, check))
    never_read = scorer.costs(LONG)
    assert np.array_equal(all_of(scorer.costs(SOUND)), expected)
    assert never_read._done.done()
    assert list(Path(scorer._folder.name).iterdir()) == []


def test_after_a_sound_that_cannot_be_scored_the_next_one_can(scorer: Scorer) -> None:
    with pytest.raises(VoicelogError, match="could not keep its scores there"):
        all_of(scorer.costs(SOUND[:0]))
    assert len(all_of(scorer.costs(SOUND)))


def test_the_shortest_sound_that_is_heard_has_few_frames(scorer: Scorer) -> None:
    shortest = round(SHORTEST_S * SAMPLE_RATE)
    assert 0 < len(all_of(scorer.costs(SOUND[:shortest]))) <= 100 * SHORTEST_S + 1


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals on Windows")
def test_control_c_is_left_to_the_session(scorer: Scorer) -> None:
    all_of(scorer.costs(SOUND))
    (pid,) = scorer._process._processes
    os.kill(pid, signal.SIGINT)
    assert len(all_of(scorer.costs(SOUND)))
    assert [*scorer._process._processes] == [pid]


def test_a_process_that_is_killed_is_replaced_and_no_frame_is_lost() -> None:
    scorer = Scorer()
    expected = all_of(scorer.costs(LONG))
    costs = scorer.costs(LONG)
    rows = iter(costs)
    first = list(islice(rows, 5))
    for process in scorer._process._processes.values():
        process.kill()
    assert np.array_equal(np.array([*first, *rows]), expected)
    for process in scorer._process._processes.values():
        process.kill()
        process.join()
    # Between two sounds too.
    assert np.array_equal(all_of(scorer.costs(LONG)), expected)


def test_a_process_that_ends_twice_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    scorer = Scorer()
    score = scorer.score

    def killed(sound: bytes) -> object:
        done = score(sound)
        for process in scorer._process._processes.values():
            process.kill()
        return done

    monkeypatch.setattr(scorer, "score", killed)
    with pytest.raises(VoicelogError, match="has ended twice; try again"):
        all_of(scorer.costs(LONG))


def test_scores_that_are_cut_off_are_no_shorter_call(scorer: Scorer, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk: PocketSphinx does not say that it could not write."""
    costs = scorer.costs(SOUND)
    costs._done.result()
    # Whole frames are missing at the end: nothing in the file tells.
    frame = 2 * 5127
    os.truncate(costs._file, costs._file.stat().st_size - 3 * frame)
    with pytest.raises(VoicelogError, match="could not keep its scores there; make room there"):
        all_of(costs)


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="no /proc here")
def test_with_a_killed_session_its_process_ends_and_its_files_go(tmp_path: Path) -> None:
    program = tmp_path / "scoring.py"
    program.write_text(
        "import sys, time\n"
        "from multiprocessing import active_children\n"
        "from voicelog.hearing.scores import Scorer\n"
        "if __name__ == '__main__':\n"
        "    scorer = Scorer()\n"
        "    scorer._process.submit(int).result()\n"
        "    print(active_children()[0].pid, scorer._folder.name, flush=True)\n"
        "    time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, str(program)], stdout=subprocess.PIPE, text=True) as session:
        assert session.stdout is not None
        pid, folder = session.stdout.readline().split()
        assert Path("/proc", pid).exists() and Path(folder).is_dir()
        session.kill()
    wait_until(lambda: not Path("/proc", pid).exists())
    assert not Path(folder).exists()
