"""What it costs to take one phone for another, as a file that a measurement can replace.

The file is JSON:

    {"basis": "what the numbers rest on, in one line",
     "skip": {"AA": 1.0, ...},        a phone missed, or heard without being said
     "swap": {"AA AE": 0.3, ...}}     one phone heard as another, either way round

Every one of the 39 phones has its skip, every pair its swap. Costs are numbers
from 0 (cannot be told apart) up; a vowel missed costs about 1.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from voicelog.grammar.phones import PHONES, every_pair, skip_cost, swap_cost
from voicelog.values import VoicelogError

SHIPPED = Path(__file__).with_name("confusion.json")

PRIOR_WEIGHT = 1000.0
"""How many times heard right the articulatory figures of a phone are worth against counted ones. Many, since a
free phone loop hears not half of the phones right: its counts are a hint."""

LEAST_SKIP = 0.5
"""The least cost of missing a phone, as a share of its articulatory figure: a phone loop without words drops a
fifth of all phones, which no recogniser that knows the words does."""

SHARPNESS = 5.0
"""Nats of likelihood that a cost of 1 stands for: puts counts and articulatory figures on one scale."""


@dataclass(frozen=True, eq=False)
class PhoneCosts:
    """`skip` by phone, `swap` by pair (both orders), and in plain words what they rest on."""

    basis: str
    skip: dict[str, float]
    swap: dict[tuple[str, str], float]

    def as_json(self) -> str:
        """The text of the file, one phone or pair a line."""
        pairs = {f"{a} {b}": round(self.swap[a, b], 3) for a, b in every_pair()}
        skips = {phone: round(self.skip[phone], 3) for phone in PHONES}
        return json.dumps({"basis": self.basis, "skip": skips, "swap": pairs}, indent=1) + "\n"


def articulatory_costs() -> PhoneCosts:
    """The costs from articulatory features alone."""
    swap = {(a, b): swap_cost(a, b) for a in PHONES for b in PHONES}
    return PhoneCosts("articulatory features, common practice", {phone: skip_cost(phone) for phone in PHONES}, swap)


@cache
def load_costs(path: Path = SHIPPED) -> PhoneCosts:
    """Read a file of costs; without a path, the shipped one.

    Raises VoicelogError for a file that is not of this form, naming the first phone or pair that is wrong.
    """
    try:
        read = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as wrong:
        raise VoicelogError(
            f"{path}: cannot be read as phone costs ({wrong}); make it again: voicelog grammar confusions"
        ) from None
    if not isinstance(read, dict):
        raise VoicelogError(f"{path}: holds no phone costs; make it again: voicelog grammar confusions")
    skip = {phone: _cost(path, read.get("skip"), phone) for phone in PHONES}
    swap = {(phone, phone): 0.0 for phone in PHONES}
    for a, b in every_pair():
        swap[a, b] = swap[b, a] = _cost(path, read.get("swap"), f"{a} {b}")
    return PhoneCosts(str(read.get("basis", "")), skip, swap)


def _cost(path: Path, table: Any, name: str) -> float:
    found = table.get(name) if isinstance(table, dict) else None
    if isinstance(found, bool) or not isinstance(found, int | float) or not 0 <= found < math.inf:
        raise VoicelogError(
            f"{path}: “{name}” has no cost of 0 or more; make the file again: voicelog grammar confusions"
        )
    return float(found)


def estimate(pairs: Iterable[tuple[Sequence[str], Sequence[str]]], basis: str) -> PhoneCosts:
    """Costs measured from (phones said, phones heard) pairs, laid over the articulatory ones.

    The two are aligned at least cost and what was heard for each phone is counted.
    The cost counted is the log of how much more often the phone was heard right,
    in units of `SHARPNESS` nats. Adding a phone costs the same as missing it.
    """
    from voicelog.grammar.distance import align

    prior = articulatory_costs()
    heard: Counter[tuple[str, str]] = Counter()
    for said, found in pairs:
        heard.update(align(said, found, prior))

    def cost(a: str, b: str, before: float) -> float:
        right, wrong = heard[a, a] + PRIOR_WEIGHT, heard[a, b] + PRIOR_WEIGHT * math.exp(-SHARPNESS * before)
        return max(0.0, math.log(right / wrong) / SHARPNESS)

    skip = {a: max(cost(a, "", prior.skip[a]), LEAST_SKIP * prior.skip[a]) for a in PHONES}
    swap = {(phone, phone): 0.0 for phone in PHONES}
    for a, b in every_pair():
        before = prior.swap[a, b]
        swap[a, b] = swap[b, a] = min((cost(a, b, before) + cost(b, a, before)) / 2, skip[a] + skip[b])
    return PhoneCosts(basis, skip, swap)
