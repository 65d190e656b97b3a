"""Power cuts and full disks: what was read back is in the ledger, and the session goes on from there."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from live_parts import ROSTER, Told, quiet, speech

from voicelog.config import Config
from voicelog.ledger import Ledger, fold
from voicelog.live import FileSound
from voicelog.resuming import go_on
from voicelog.session import left
from voicelog.session.state import bird_in_hand
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, dialogue_settings

HERE = Path(__file__).parent
PIECE = np.concatenate([quiet(0.5), speech(), quiet(0.6)])

SESSION = """
import sys
from pathlib import Path
import numpy as np
from live_parts import Told, quiet, speech
from voicelog.ledger import Ledger
from voicelog.live import FileSound, LiveSettings
piece = np.concatenate([quiet(0.5), speech(), quiet(0.6)])
texts = [f"band {word} male" for word in "one two three four five six seven eight nine".split()]
with Ledger.open(Path(sys.argv[1])) as ledger:
    told = Told(texts, FileSound([piece] * len(texts)), ledger, LiveSettings(headset=True))
    told.conversation._screen._write = lambda line: print(line, flush=True)
    told.run()
"""


@pytest.mark.parametrize("moment", range(4))
def test_killed_at_a_random_moment_nothing_that_was_read_back_is_missing(tmp_path: Path, moment: int) -> None:
    path = tmp_path / "yard.ledger"
    running = subprocess.Popen(
        [sys.executable, "-c", SESSION, str(path)],
        stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": f"{HERE.parent}:{HERE}"},
    )  # fmt: skip
    assert running.stdout is not None
    chance = random.Random(moment)
    read_back = []
    for line in running.stdout:
        if line.startswith("+ "):
            read_back.append(line.split()[1].rstrip(","))
        if len(read_back) == 1 + moment:
            time.sleep(chance.random() * 0.3)  # the moment itself is what is random here
            running.send_signal(signal.SIGKILL)
            break
    read_back += [line.split()[1].rstrip(",") for line in running.stdout if line.startswith("+ ")]
    running.wait()
    running.stdout.close()
    names = ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
    with Ledger.open(path, must_exist=True) as ledger:
        assert ledger.verify() == []
        kept = [call.call.band for call in fold(ledger.events()).calls]
        assert [names[band - 1] for band in kept if band][: len(read_back)] == read_back
        if kept[-1] != len(names):
            _, (_, state) = go_on(ledger, check_plans(Config()), dialogue_settings(Config()))
            assert bird_in_hand(state) == kept[-1]
            assert left(state) == [band for band in ROSTER if band not in kept]


def test_a_session_that_is_finished_or_never_began_cannot_be_gone_on_with(tmp_path: Path) -> None:
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        plans, settings = check_plans(Config()), dialogue_settings(Config())
        with pytest.raises(VoicelogError, match="no session to go on with"):
            go_on(ledger, plans, settings)
        Told(["finish session"], FileSound([PIECE]), ledger).run()
        with pytest.raises(VoicelogError, match="is finished"):
            go_on(ledger, plans, settings)


def test_a_session_goes_on_under_its_own_id_paused_or_not(tmp_path: Path) -> None:
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        told = Told(["band four male", "pause listening"], FileSound([PIECE] * 2, patience_s=2), ledger).run()
        beginning, (name, state) = go_on(ledger, check_plans(Config()), dialogue_settings(Config()))
    assert name == told.sitting.session and state.mode == "paused"
    assert beginning.opening == "paused, nineteen left"


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own, of 2 MB."""
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("mounts a small file system: needs root on Linux")
    folder = tmp_path / "small"
    folder.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)], check=False).returncode:
        pytest.skip("this container may not mount")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_is_told_at_once_and_writing_goes_on_when_there_is_room(small: Path) -> None:
    with Ledger.open(small / "yard.ledger") as ledger:
        filler = small / "filler"
        sound = FileSound([PIECE] * 3, patience_s=3)
        told = Told(["band four male", "band five male", "band six male"], sound, ledger)
        after_each_answer(told, lambda: filler.write_bytes(b"") if filler.exists() else _fill(filler))
        told.run()
        assert bands(ledger) == [4]
        assert ledger.verify() == []
        assert told.sitting.state.in_hand == 4
        filler.unlink()
        Told(["band six male"], FileSound([PIECE]), ledger).run()
        assert bands(ledger) == [4, 6]
    assert "no room" in " ".join(told.lines) or "No space" in " ".join(told.lines)


def test_a_ledger_that_turns_read_only_is_told_and_no_call_is_accepted(tmp_path: Path) -> None:
    """By SQLite's own switch: no file system turns read-only on demand while a file on it is open."""
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        sound = FileSound([PIECE] * 3, patience_s=3)
        told = Told(["band four male", "band five male", "band six male"], sound, ledger)

        def turn(way: str) -> Callable[[], object]:
            return lambda: ledger.db.conn.execute(f"PRAGMA query_only={way}")

        after_each_answer(told, turn("ON"))
        told.conversation._not_written = after(told.conversation._not_written, turn("OFF"))  # type: ignore[method-assign]
        told.run()
        assert bands(ledger) == [4, 6]
        assert ledger.verify() == []
    assert [line[0] for line in told.said if line[0] in "+?-"] == ["+", "-", "+"]


def test_on_a_read_only_file_system_no_session_begins(small: Path) -> None:
    path = small / "yard.ledger"
    with Ledger.open(path) as ledger:
        Told(["band four male"], FileSound([PIECE]), ledger).run()
    subprocess.run(["mount", "-o", "remount,ro", str(small)], check=True)
    for ledger_path in (path, small / "other.ledger"):
        with pytest.raises(VoicelogError, match=ledger_path.name), Ledger.open(ledger_path) as ledger:
            Told(["band five male"], FileSound([PIECE]), ledger).run()


def after(does: Callable[..., None], then: Callable[[], object]) -> Callable[..., None]:
    def both(*arguments: object) -> None:
        does(*arguments)
        then()

    return both


def after_each_answer(told: Told, then: Callable[[], object]) -> None:
    told.conversation._answer = after(told.conversation._answer, then)  # type: ignore[method-assign]


def bands(ledger: Ledger) -> list[int | None]:
    return [call.call.band for call in fold(ledger.events()).calls]


def _fill(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        for size in (65536, 4096, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue
