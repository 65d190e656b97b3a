"""From which certainty to accept and to ask, by what mistakes cost.

The cost of a call, in questions: a silent error costs `SILENT_ERROR`, whatever
must be said again `SAY_AGAIN`. Twenty prompts can show that calls are accepted
too easily, but not that it is safe to accept more (none wrong of twenty still
allows one in seven, Clopper-Pearson 95 %), so accepting is only ever made harder.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

from voicelog.session.policy import SAY_AGAIN, SILENT_ERROR

QUESTION = 1.0

_STEPS = tuple(round(0.05 * step, 2) for step in range(1, 20))


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Certainties from 0 to 1, as in the settings file."""

    accept_from: float
    ask_from: float


def cost(thresholds: Thresholds, outcomes: Sequence[tuple[float, bool]]) -> float:
    """In questions, of calls given as their certainty and whether they were heard right."""
    total = 0.0
    for certainty, right in outcomes:
        if certainty >= thresholds.accept_from:
            total += 0.0 if right else SILENT_ERROR
        elif certainty >= thresholds.ask_from:
            total += QUESTION if right else QUESTION + SAY_AGAIN
        else:
            total += SAY_AGAIN
    return total


def best_thresholds(now: Thresholds, outcomes: Sequence[tuple[float, bool]]) -> Thresholds:
    """The cheapest that accept no more than `now`; of equals, those nearest to it."""
    accepts = {now.accept_from, *(step for step in _STEPS if step > now.accept_from)}
    asks = {now.ask_from, *_STEPS}
    every = [Thresholds(accept, ask) for accept, ask in product(sorted(accepts), sorted(asks)) if ask <= accept]

    def apart(it: Thresholds) -> float:
        return abs(it.accept_from - now.accept_from) + abs(it.ask_from - now.ask_from)

    return min(every, key=lambda it: (cost(it, outcomes), apart(it)))
