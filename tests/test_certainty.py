"""The certainty: between nothing and one, and on the right side of what was measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.bench.calibrate import SHIPPED, accepted_unasked, read, regress, terms_of
from voicelog.hearing.certainty import ALONE, MOST_LEAD, TWO, Evidence, Weights, certainty_of

NATS = st.floats(-1000, 1000)
SURE = Evidence(
    fit=-3.5, weakest=-4.5, lead=90, least_lead=90, words=5, other_lead=25,
    unlikely=2, gain=4.4, speechless=-6, over_noise=40,
)  # fmt: skip
"""`gain` is the middle one of the shipped utterances that were heard right."""


SECOND = st.tuples(NATS, st.floats(0, 1000), NATS, st.floats(-1000, 0), st.floats(0, 100) | st.none())


@given(NATS, NATS, NATS, NATS, st.none() | SECOND)
def test_it_is_a_probability(
    fit: float, weakest: float, lead: float, least_lead: float, second: tuple[float | None, ...] | None
) -> None:
    evidence = Evidence(fit, weakest, lead, least_lead, 3, *(second or ()))
    assert 0 <= certainty_of(evidence) <= 1


@given(st.sampled_from(["fit", "weakest", "lead", "other_lead", "gain", "over_noise"]), st.floats(0, 200))
def test_better_evidence_is_surer(name: str, more: float) -> None:
    for good in (SURE, replace(SURE, lead=20, other_lead=1, over_noise=15)):
        better = replace(good, **{name: getattr(good, name) + more})
        assert certainty_of(better) >= certainty_of(good) - 1e-12


@given(st.floats(0, 500))
def test_the_likelier_another_text_or_none_the_less_sure(more: float) -> None:
    assert certainty_of(replace(SURE, unlikely=2 + more)) <= certainty_of(SURE) + 1e-12
    assert certainty_of(replace(SURE, speechless=min(-6 + more, 0))) <= certainty_of(SURE) + 1e-12


def test_what_fits_but_was_as_likely_before_it_was_heard_is_not_sure() -> None:
    """A crow of a quail, taken for "band three": what both listeners know of is a call, and none was said."""
    crow = Evidence(-5.56, -6.29, 7.37, 7.37, 2, other_lead=3.33, unlikely=0, gain=1.93, speechless=-0.68)
    assert certainty_of(crow) < 0.6 < certainty_of(replace(crow, gain=4.5, speechless=-4.0))


def test_a_clear_call_is_sure_and_one_that_reads_otherwise_is_not() -> None:
    assert certainty_of(SURE) > 0.99
    assert certainty_of(replace(SURE, fit=-6.0, weakest=-8.0, unlikely=60.0)) < 0.1  # talk
    assert certainty_of(replace(SURE, lead=0.0, other_lead=0.0)) < 0.8  # two readings alike


def test_either_listener_makes_up_for_the_other_and_no_rival_is_as_good_as_a_far_one() -> None:
    assert certainty_of(replace(SURE, lead=-20, other_lead=20)) > 0.9
    assert certainty_of(replace(SURE, lead=60, other_lead=-2)) > 0.9
    assert certainty_of(replace(SURE, lead=20, other_lead=-5)) < 0.7
    assert certainty_of(replace(SURE, lead=MOST_LEAD, other_lead=-20)) == certainty_of(replace(SURE, other_lead=100))


def test_a_lead_says_less_in_noise_and_least_where_the_noise_is_not_known() -> None:
    fair = replace(SURE, lead=30, other_lead=1)
    quiet, noisy, unknown = (certainty_of(replace(fair, over_noise=db)) for db in (30.0, 12.0, None))
    assert quiet > 0.9 and 0.85 > noisy > unknown
    level = replace(SURE, lead=0.0, other_lead=0.0)
    assert certainty_of(level) == certainty_of(replace(level, over_noise=10.0)) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(("data", "weights"), [("evidence_two.csv", TWO), ("evidence_alone.csv", ALONE)])
def test_the_shipped_weights_are_those_of_the_shipped_data(data: str, weights: Weights) -> None:
    rows = accepted_unasked(read(SHIPPED.with_name(data)))
    speech, reading = terms_of(rows)
    right = [row["right"] == "True" for row in rows]
    found = regress(speech, reading, np.array(right, float))
    assert found == pytest.approx([*weights.speech, *weights.reading], abs=0.01)
