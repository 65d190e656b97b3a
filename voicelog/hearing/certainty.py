"""From what a decoder measured to the chance that the whole call is right."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Evidence:
    """What PocketSphinx measured of one utterance, in nats (natural log units).

    `fit`: log likelihood of the words less that of a free phone loop, a frame.
    `worst_fit`: the same for the worst of the words. `lead`: log likelihood of
    the words less that of the best reading that means something else.
    """

    fit: float
    worst_fit: float
    lead: float


def word_certainty(fit: float) -> float:
    return 1 / (1 + math.exp(-(fit + 6.0)))


def certainty_of(evidence: Evidence) -> float:
    return 0.5
