"""From what a decoder measured to how sure the whole call is.

A logistic regression on 666 calls of seven synthetic voices, clean and under
pink noise at 20, 15 and 10 dB, with pens of 40 and with 299 bands, behind
DeepFilterNet3. `WORD_COST` and `SPEECH_OF_THE_GRAMMAR` were added by hand
afterwards, on the recorded session, so what comes out orders calls by how sure
they are but is not a calibrated probability.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

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


TERMS = ("fit", "weakest", "lead", "least_lead", "agreed", "words")
"""What the regression weighs, in the order of `WEIGHTS`."""

WEIGHTS = (2.25 + 2.25, 0.90, 0.0, 0.05, 0.0, 0.0, 0.0)
"""The constant, then the weight of every term."""


def terms(evidence: Evidence) -> tuple[float, ...]:
    """What the regression weighs of one utterance; a lead counts by its square root."""
    return (
        evidence.fit,
        evidence.weakest,
        math.copysign(math.sqrt(abs(evidence.lead)), evidence.lead),
        math.copysign(math.sqrt(abs(evidence.least_lead)), evidence.least_lead),
        evidence.agreed,
        evidence.words,
    )


def certainty_of(evidence: Evidence) -> float:
    """The probability, 0 to 1, that the call is right."""
    return _logistic(sum(w * term for w, term in zip(WEIGHTS, (1.0, *terms(evidence)), strict=True)))


def _logistic(x: float) -> float:
    return 1 / (1 + math.exp(-max(-500.0, min(x, 500.0))))
