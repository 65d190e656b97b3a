"""The recorded continuous session that is shipped: its sound, what was said in it, and the made-up yard around it."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from voicelog.audio import read_sound
from voicelog.beginning import Beginning
from voicelog.ledger import CallMade, Draft, Ledger, SessionFinished, SessionStarted, new_id
from voicelog.places import shipped
from voicelog.session import Known, Purpose
from voicelog.values import Call, Frames


@dataclass(frozen=True, slots=True)
class Said:
    """One utterance: where it is in the sound, in seconds, and what must come of it.

    `event` is the kind of fact to be written, `record` its call; None where there is none.
    """

    start_s: float
    end_s: float
    words: str
    event: str | None
    record: dict[str, object] | None


@dataclass(frozen=True, slots=True)
class RecordedSession:
    """`weights` are the grams that a bird may weigh; `beginning` knows of the earlier check."""

    yard: str
    check: str
    file: Path
    beginning: Beginning
    weights: tuple[float, float]

    def sound(self) -> Frames:
        """Shape (samples,), int16, 16 kHz."""
        return np.concatenate(list(read_sound(self.file)))

    def said(self) -> list[Said]:
        lines = map(json.loads, shipped("audio_fixtures", "session.jsonl").read_text(encoding="utf-8").splitlines())
        return [Said(line["start_s"], line["end_s"], line["said"], line["event"], line["record"]) for line in lines]

    def write_earlier_check(self, ledger: Ledger) -> None:
        """As a session of its own, unless the ledger has one already."""
        if ledger.last_session() is not None:
            return
        known = self.beginning.known
        facts = [
            SessionStarted(roster=tuple(known), pen=self.beginning.purpose.pen),
            *(CallMade(call=Call(band=band, sex=bird.sex)) for band, bird in known.items()),
            SessionFinished(seen=len(known)),
        ]
        session = new_id()
        for fact in facts:
            ledger.append(Draft(id=new_id(), session=session, fact=fact))


def recorded_session() -> RecordedSession:
    yard: dict[str, Any] = tomllib.loads(shipped("audio_fixtures", "session.toml").read_text(encoding="utf-8"))
    known = {bird["band"]: Known(bird["sex"], f"at {yard['earlier_check']}") for bird in yard["earlier"]}
    weights = (float(yard["expected_weight_g"]["low"]), float(yard["expected_weight_g"]["high"]))
    beginning = Beginning(Purpose(pen=yard["pen"]), tuple(yard["roster"]), known)
    return RecordedSession(yard["yard"], yard["check"], shipped("audio_fixtures", "session.flac"), beginning, weights)
