"""From what a decoder measured to the probability that it heard right.

Two things can be wrong: the sound was no speech of the grammar, or another
reading of the grammar was meant. The certainty is the product of two logistic
functions, one for each, fitted together on recorded calls, parts of calls,
answers and talk, in and without noise: `voicelog/bench/calibrate.py` collects
the evidence, `voicelog/bench/evidence.csv`, and fits the weights.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ENOUGH_LEAD = 60.0
MOST_LEAD = 120.0
"""Nats beyond which a greater lead over the runner-up says nothing more."""


WORD_COST = 25.0
"""Nats that one more word must bring before a reading counts as better: a breath is soon taken for a word."""

SPEECH_OF_THE_GRAMMAR = -6.0
"""Nats a frame. Recorded calls fit better than this, talk and coughs worse, however the words of a small
network are pressed onto them."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What PocketSphinx measured of one utterance, in nats (natural log units).

    `fit`: log likelihood of the words less that of a free phone loop, a frame,
    and `weakest` that of the word with the least. `lead`: log likelihood of the
    words less that of the best reading that means something else, `WORD_COST`
    taken off both for every word, the mean over the views; `least_lead` in the
    view with the least. `agreed`: the share of views that heard the same by
    themselves. `words`: how many were heard.
    """

    fit: float
    weakest: float
    lead: float
    least_lead: float
    agreed: float
    words: float


def word_certainty(fit: float) -> float:
    """From 0 to 1 for one word, by its own `fit`: half where a word of read prose would be."""
    return _logistic(fit + 6.0)


SPEECH = (1.035, 1.331, 0.348)
READING = (-0.816, 0.826, 1.851)
"""Weights: the constant, then every term below. From `voicelog/bench/calibrate.py fit` on `evidence.csv` beside it."""


def speech_terms(evidence: Evidence) -> tuple[float, ...]:
    """What tells whether this was speech of the grammar at all. Shifted so that the constant is that of a poor call."""
    return evidence.fit + 4, evidence.weakest + 6


def reading_terms(evidence: Evidence) -> tuple[float, ...]:
    """What tells whether no other reading of the grammar was meant; beyond `ENOUGH_LEAD` more lead says no more."""
    leads = (max(-ENOUGH_LEAD, min(lead, ENOUGH_LEAD)) / 20 for lead in (evidence.least_lead, evidence.lead))
    return tuple(leads)


def certainty_of(evidence: Evidence) -> float:
    """The probability, 0 to 1, that what was heard is what was said."""
    return _logistic(_weighed(SPEECH, speech_terms(evidence))) * _logistic(_weighed(READING, reading_terms(evidence)))


def _weighed(weights: tuple[float, ...], terms: tuple[float, ...]) -> float:
    return sum(weight * term for weight, term in zip(weights, (1.0, *terms), strict=True))


def _logistic(x: float) -> float:
    return 1 / (1 + math.exp(-max(-500.0, min(x, 500.0))))
