"""How usual one call is beside another reading of the same sound."""

from __future__ import annotations

from voicelog.grammar.utterance import CallSaid, Utterance
from voicelog.session.state import State, bird_in_hand, today
from voicelog.values import Call

UNLIKELY_WEIGHT = 20.0
"""So many times less often a weight is out of the expected range than in it (common practice)."""

UNLIKELY_CONDITION = 10.0
"""So many times less often a condition is told of a bird in place of its sex than the sex alone (common practice:
every bird has a sex to be called, and hardly one in a hundred is found dead or hurt). Behind the noise stage "hen"
sounds like "dead", and "unsure" like "injured"."""


def odds(state: State, said: Utterance, rival: Utterance) -> float:
    """How many times more often such a call is made than its rival; 1 where nothing tells them apart."""
    if not isinstance(said, CallSaid) or not isinstance(rival, CallSaid):
        return 1.0
    ours, theirs = said.call, rival.call
    if ours.weight_g is not None and theirs.weight_g is not None and _alike_but_for("weight_g", ours, theirs):
        return float(UNLIKELY_WEIGHT ** (_weight_fits(state, ours.weight_g) - _weight_fits(state, theirs.weight_g)))
    if _alike_but_for("sex condition", ours, theirs) and not _sex_called(state, ours):
        if _sex_alone(ours) and _condition_alone(theirs):
            return UNLIKELY_CONDITION
        if _sex_alone(theirs) and _condition_alone(ours):
            return 1 / UNLIKELY_CONDITION
    return 1.0


def by_custom(certainty: float, either: float, more_usual: float) -> tuple[float, float]:
    """The certainties of a reading and of its rival, when the one is so many times `more_usual`.

    `either` is the probability that it was one of the two, or a reading much like them: all of it that is not the
    reading's counts as the rival's. It stays what it is. Where it is 0 nobody knows it, and nothing becomes surer.
    """
    whole = max(either or 1.0, certainty)
    ours, theirs = certainty * more_usual, whole - certainty
    share = whole / (ours + theirs)
    return (ours * share, theirs * share) if either else (min(certainty, ours * share), 0.0)


def _alike_but_for(slots: str, ours: Call, theirs: Call) -> bool:
    nothing = dict.fromkeys(slots.split())
    return ours.model_copy(update=nothing) == theirs.model_copy(update=nothing)


def _sex_called(state: State, call: Call) -> bool:
    """Whether the bird's sex is known from today: then a condition alone is what is usual."""
    band = bird_in_hand(state) if call.band is None else call.band
    return band is not None and today(state.calls, band).sex is not None


def _sex_alone(call: Call) -> bool:
    return call.sex is not None and call.condition is None


def _condition_alone(call: Call) -> bool:
    return call.condition is not None and call.sex is None


def _weight_fits(state: State, weight_g: float) -> bool:
    least, greatest = state.settings.expected_weight_g
    return least <= weight_g <= greatest
