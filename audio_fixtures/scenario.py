"""The continuous session: who says what in Alder Row yard, and what must come of it.

The yard itself (roster, earlier calls, final state) is in `session.toml`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from phrasing import Record, Value, record

Verdict = Literal["accept", "ask", "reject", "ignored"]

HANDLER = "flite_rms"
SECOND_HANDLER = "flite_slt"
BYSTANDER = "flite_awb"
COUGH = "cough"


@dataclass(frozen=True, slots=True)
class Line:
    """One utterance. `event` is the kind that is written to the ledger, if any; "ignored" is
    sound that is not meant for the program: whatever the recogniser makes of it, it writes nothing."""

    voice: str
    said: str
    verdict: Verdict = "accept"
    record: Record | None = None
    event: str | None = None


def _call(voice: str, said: str, **slots: Value) -> Line:
    return Line(voice, said, "accept", record(**slots), "call")


def _asked(voice: str, said: str, **slots: Value) -> Line:
    return Line(voice, said, "ask", record(**slots))


_H, _S, _B = HANDLER, SECOND_HANDLER, BYSTANDER

SESSION: tuple[Line, ...] = (
    _call(_H, "band four two male foam yes", band=42, sex="male", foam="yes"),
    _call(_H, "band two four hen foam no gland no", band=24, sex="female", foam="no", gland="no"),
    # Band 17 was a hen at three weeks, so the program asks.
    _asked(_H, "band one seven male foam yes", band=17, sex="male", foam="yes"),
    _call(_H, "yes", band=17, sex="male", foam="yes"),
    _call(
        _H, "band nine six rooster foam yes fourteen and a half ounces",
        band=96, sex="male", foam="yes", weight_g=411.1,
    ),
    # One bird in three utterances.
    _call(_H, "band seven one", band=71),
    _call(_H, "hen", band=71, sex="female"),
    _call(_H, "four hundred ten grams", band=71, weight_g=410.0),
    _call(_H, "band thirty four female foam no", band=34, sex="female", foam="no"),
    # No quail of this variety weighs 710 g at six weeks, so the program asks.
    _asked(_H, "band five one seven hundred ten grams", band=51, weight_g=710.0),
    Line(_H, "no"),
    _call(_H, "band five one hen four hundred ten grams", band=51, sex="female", weight_g=410.0),
    _call(_H, "band eight two male foam yes gland yes", band=82, sex="male", foam="yes", gland="yes"),
    Line(COUGH, "", "ignored"),
    _call(_H, "band two eight cock foam yes", band=28, sex="male", foam="yes"),
    _call(_H, "band six seven female foam no", band=67, sex="female", foam="no"),
    Line(_H, "how many left"),
    _call(_H, "band nine two male foam trace", band=92, sex="male", foam="trace"),
    # The correction keeps what was not said anew.
    Line(_H, "correction"),
    _call(_H, "female", band=92, sex="female", foam="trace"),
    _call(_H, "band three eight unsure gland no", band=38, sex="unsure", gland="no"),
    _call(
        _H, "band four five male foam yes three hundred ninety grams",
        band=45, sex="male", foam="yes", weight_g=390.0,
    ),
    Line(_B, "could you shut that gate before the dog gets in please", "ignored"),
    _call(_H, "band seven two hen foam no", band=72, sex="female", foam="no"),
    _call(_H, "band six nine male foam yes", band=69, sex="male", foam="yes"),
    Line(_H, "strike that", event="void"),
    _call(_H, "band six nine female foam no", band=69, sex="female", foam="no"),
    # The second handler takes over for a while.
    _call(_S, "band one eight female foam no gland no", band=18, sex="female", foam="no", gland="no"),
    _call(_S, "band eight three hen", band=83, sex="female"),
    _call(_S, "eleven and a half ounces", band=83, weight_g=326.0),
    _call(_S, "band forty six rooster foam yes", band=46, sex="male", foam="yes"),
    _call(_S, "band seven five female foam no to pen six", band=75, sex="female", foam="no", pen="6"),
    _call(_S, "band two nine male foam yes grow out", band=29, sex="male", foam="yes", fate="grow out"),
    _call(_S, "band nine three female foam no keep", band=93, sex="female", foam="no", fate="keep"),
    Line(_H, "pause listening", event="paused"),
    Line(_B, "did you want a mug of tea or are you going straight on", "reject"),
    Line(_H, "resume listening", event="resumed"),
    _call(_H, "band five eight hen foam no", band=58, sex="female", foam="no"),
    _call(_H, "band seven three male gland yes foam yes", band=73, sex="male", gland="yes", foam="yes"),
    _call(_H, "band two seven female", band=27, sex="female"),
    _call(_H, "foam no", band=27, foam="no"),
    _call(
        _H, "band six four male foam yes thirteen point five ounces",
        band=64, sex="male", foam="yes", weight_g=382.7,
    ),
    _call(_H, "band three seven hen foam no injured", band=37, sex="female", foam="no", condition="injured"),
    Line(_H, "who is left"),
    _call(_H, "band eight one female foam no", band=81, sex="female", foam="no"),
    _call(_H, "band nine five cock foam yes", band=95, sex="male", foam="yes"),
    _call(_H, "band four three hen foam no sell", band=43, sex="female", foam="no", fate="sell"),
    _call(_H, "band eight five male foam yes", band=85, sex="male", foam="yes"),
    _call(
        _H, "band six eight female foam no three hundred forty grams",
        band=68, sex="female", foam="no", weight_g=340.0,
    ),
    _call(_H, "band seven six unsure foam no gland no", band=76, sex="unsure", foam="no", gland="no"),
    Line(_H, "finish session", event="session_finished"),
)  # fmt: skip
