"""What the recogniser keeps: networks, of which hours of questions must not fill the memory, and scores in a file."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from voicelog.audio import read_sound
from voicelog.bench.soak import memory_mb
from voicelog.config import Config
from voicelog.grammar.network import only
from voicelog.hearing.pocketsphinx_engine import MOST_GRAPHS, PocketSphinxRecogniser
from voicelog.values import Call, VoicelogError
from voicelog.wiring import open_grammars

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"


def test_after_many_questions_little_memory_is_held_and_a_call_is_heard_as_before() -> None:
    first = json.loads((FIXTURES / "calls.jsonl").read_text(encoding="utf-8").splitlines()[0])
    sound = np.concatenate(list(read_sound(FIXTURES / first["file"])))
    roster = tuple(sorted({first["record"]["band"], *range(1, 10)}))
    grammars = open_grammars(Config())
    call = grammars.compile("call", roster).network
    recogniser = PocketSphinxRecogniser()
    recogniser.listen_for(call)
    before = recogniser.hear((sound,))

    def ask(band: int, number: int) -> None:
        readings = (Call(band=band, weight_g=float(200 + number)), Call(band=band, sex="female"))
        recogniser.listen_for(grammars.choose(readings, roster).network)

    for number in range(MOST_GRAPHS):
        ask(1, number)
    held = memory_mb()
    for number in range(3):
        for band in roster[:4]:
            ask(band, 100 + number)
    assert memory_mb() - held < 20  # one takes 25 MB; kept, they would be 300
    recogniser.listen_for(call)
    assert recogniser.hear((sound,)) == before


def test_scores_that_cannot_be_kept_are_told() -> None:
    recogniser = PocketSphinxRecogniser()
    recogniser.listen_for(only([("hen",)]))
    sound = np.random.default_rng(1).normal(0, 3000, 8000).astype(np.int16)
    recogniser.hear((sound,))
    assert list(recogniser._scorer.folder.iterdir()) == []
    shutil.rmtree(recogniser._scorer.folder)
    with pytest.raises(VoicelogError, match="make room there"):
        recogniser.hear((sound,))
    # And the next call is heard again.
    recogniser.hear((sound,))
