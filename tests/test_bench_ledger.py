"""The benchmark's ledger is a true one, and its run leaves nothing behind. Nothing is timed here."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from voicelog.bench.ledger import make_yard
from voicelog.cli import main
from voicelog.ledger import Ledger

RUN = ["bench", "ledger", "--appends", "100"]


def test_the_made_up_yard_is_sound(tmp_path: Path) -> None:
    last = make_yard(tmp_path / "yard.ledger", 3000)
    with Ledger.open(tmp_path / "yard.ledger", must_exist=True) as ledger:
        ledger.rebuild()
        events = list(ledger.events())
        assert len(events) == 3000 and events[-1].at.date() == last
        assert ledger.verify() == []
        assert ledger.conflicts() == []
        birds = ledger.db.execute("SELECT count(*) FROM bird").fetchone()[0]
        assert 700 <= birds <= 750


def test_the_benchmark_tells_every_figure(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, [*RUN, "--events", "1000", "--folder", str(tmp_path), "--json"])
    assert done.exit_code == 0, done.output
    found = json.loads(done.output)
    assert found.pop("events") == 1000
    assert all(value > 0 for value in found.values()) and len(found) == 17
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("events", "says"), [("many", "are no sizes"), ("10", "less than 1000")])
def test_sizes_that_say_nothing_are_refused(tmp_path: Path, events: str, says: str) -> None:
    done = CliRunner().invoke(main, ["bench", "ledger", "--events", events, "--folder", str(tmp_path)])
    assert done.exit_code == 2 and says in done.stderr
