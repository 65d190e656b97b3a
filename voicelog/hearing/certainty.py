"""From what was measured of an utterance to the probability that it heard right.

Two things can be wrong: the sound was no speech of the grammar, or another
reading of the grammar was meant. The certainty is the product of two logistic
functions, one for each, fitted together on recorded calls, parts of calls,
answers, talk and bare noise, in and without noise: `voicelog/bench/calibrate.py` collects
the evidence, `voicelog/bench/evidence_two.csv` with the second listener and
`evidence_alone.csv` without, and fits the weights of either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ENOUGH_LEAD = 60.0
MOST_LEAD = 120.0
"""Nats beyond which a greater lead over the runner-up says nothing more."""

ENOUGH_OF_BOTH = 150.0
MOST_UNLIKELY = 60.0
LEAST_SPEECHLESS = -7.0
"""The same of both listeners' lead together, and of how unlikely the second finds the words, or that none were said."""

POOR_GAIN = 4.0
"""`gain` of a call heard so poorly that it may be none."""

SECOND_WEIGHT = 10.0
"""Nats of PocketSphinx that one of the second listener outweighs."""

IN_NOISE_DB = 10.0
IN_QUIET_DB = 30.0
"""How far the voice is over the noise where a lead says least, and where it says most."""

WORD_COST = 25.0
"""Nats that one more word must bring before a reading counts as better: a breath is soon taken for a word."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What was measured of one utterance, in nats (natural log units).

    `fit`: log likelihood of the words less that of the best sound of speech, a frame,
    and `weakest` that of the word with the least. `lead`: log likelihood of the
    words less that of the best reading that means something else, `WORD_COST`
    taken off both for every word, the mean over the views; `least_lead` in the
    view with the least. `words`: how many were heard.

    From the second listener, None without it: `other_lead`, its lead of the words over
    the same other reading, and `unlikely`, how much less likely it finds the words than
    what it would write itself; `gain`, how much likelier a piece of them than over a hiss, and
    `speechless`, how likely it finds that nothing was said. `over_noise`: dB by which the loud tenth of
    the sound as it came lies over its quiet tenth.
    """

    fit: float
    weakest: float
    lead: float
    least_lead: float
    words: float
    other_lead: float | None = None
    unlikely: float | None = None
    gain: float | None = None
    speechless: float | None = None
    over_noise: float | None = None


def word_certainty(fit: float) -> float:
    """From 0 to 1 for one word, by its own `fit`: half where the worst word of right calls rarely lies."""
    return _logistic(fit + 9.0)


Terms = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Weights:
    """Of every term of both functions. From `voicelog/bench/calibrate.py fit`."""

    speech: Terms
    reading: Terms


ALONE = Weights(speech=(0.870, 1.207, 2.782), reading=(-0.423, 0.073, 1.914))
TWO = Weights(speech=(0.932, 0.986, 1.236, -1.599, 1.144, -1.695), reading=(0.701, 0.647))


def speech_terms(evidence: Evidence) -> Terms:
    """What tells whether this was speech of the grammar at all: a constant, then what was measured, shifted so that the
    constant is that of a poor call."""
    fit = (1.0, evidence.fit + 6.5, evidence.weakest + 7.7)
    if evidence.unlikely is None or evidence.gain is None or evidence.speechless is None:
        return fit
    unlikely = min(evidence.unlikely, MOST_UNLIKELY) / 10
    return (*fit, unlikely, evidence.gain - POOR_GAIN, max(evidence.speechless, LEAST_SPEECHLESS) + 3.0)


def reading_terms(evidence: Evidence) -> Terms:
    """What tells whether no other reading was meant; beyond `ENOUGH_LEAD`, or `ENOUGH_OF_BOTH`, more says no more.

    With both listeners there is no constant: of two readings that lie level, neither is likelier. A lead says the more
    the quieter it is: in noise both are wrong together.
    """
    if evidence.other_lead is None:
        return 1.0, _clipped(evidence.least_lead, ENOUGH_LEAD) / 20, _clipped(evidence.lead, ENOUGH_LEAD) / 20
    both = evidence.lead + SECOND_WEIGHT * evidence.other_lead
    none_known = evidence.lead >= MOST_LEAD
    lead = ENOUGH_OF_BOTH if none_known else _clipped(both, ENOUGH_OF_BOTH)
    over_noise = IN_NOISE_DB if evidence.over_noise is None else evidence.over_noise
    quiet = (over_noise - IN_NOISE_DB) / (IN_QUIET_DB - IN_NOISE_DB)
    return lead / 20, lead / 20 * max(0.0, min(quiet, 1.0))


def certainty_of(evidence: Evidence) -> float:
    """The probability, 0 to 1, that what was heard is what was said."""
    return speech_of(evidence) * _logistic(_weighed(_weights(evidence).reading, reading_terms(evidence)))


def speech_of(evidence: Evidence) -> float:
    """The probability, 0 to 1, that it was speech of the grammar, what was heard or a reading much like it."""
    return _logistic(_weighed(_weights(evidence).speech, speech_terms(evidence)))


def _weights(evidence: Evidence) -> Weights:
    return ALONE if evidence.gain is None else TWO


def _clipped(lead: float, most: float) -> float:
    return max(-most, min(lead, most))


def _weighed(weights: tuple[float, ...], terms: tuple[float, ...]) -> float:
    return sum(weight * term for weight, term in zip(weights, terms, strict=True))


def _logistic(x: float) -> float:
    return 1 / (1 + math.exp(-max(-500.0, min(x, 500.0))))
