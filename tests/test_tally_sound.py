"""A tally of 65 words, recorded over a quiet fan, through the real recogniser to a real ledger.

Synthetic speech (flite); the order was drawn at random and none was chosen for how well it is heard.
"""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

from flock_help import Keeper

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
TALLY = json.loads((FIXTURES / "tally.jsonl").read_text(encoding="utf-8"))


def _three_weeks_ago() -> date:
    """Hatched then, the chicks are due for their breast check."""
    return date.today() - timedelta(days=21)


def test_the_recorded_tally_gives_exactly_the_counts(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "yard.ledger")
    keeper("hatch", "A7", "--variety", "wild type", "--count", 60, "--pen", 1, "--on", _three_weeks_ago())
    keeper("name-pen", 9, "--use", "males")
    assert len(TALLY["said"]) >= 60
    heard = keeper("replay", "--kind", "tally", "--pen", 1, "--json", FIXTURES / "tally.flac").splitlines()
    lines = [json.loads(line) for line in heard]
    assert [line["heard"] for line in lines] == TALLY["said"]
    assert {line["verdict"] for line in lines} == {"accept"}
    counts = TALLY["counts"]
    shown = keeper("summary")
    for sex, count in counts.items():
        assert f"  {sex}: {count}\n" in shown
    assert f"move males out: {counts['male']} called male" in keeper("due")
    assert lines[-1]["reply"].endswith("male to pen nine, the others stay.")
