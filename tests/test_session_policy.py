"""How far words are trusted by their certainty alone."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.session import Policy, judge
from voicelog.values import Verdict, VoicelogError

POLICY = Policy(accept_from=0.8, ask_from=0.3)


@pytest.mark.parametrize(
    ("certainty", "doubts", "verdict"),
    [
        (1.0, (), "accept"),
        (0.8, (), "accept"),
        (0.79, (), "ask"),
        (0.3, (), "ask"),
        (0.29, (), "reject"),
        (0.0, (), "reject"),
        (math.nan, (), "reject"),
        (1.0, ("fifteen or fifty",), "ask"),
        (0.3, ("fifteen or fifty",), "ask"),
        (0.29, ("fifteen or fifty",), "reject"),
    ],
)
def test_verdict_by_certainty_and_doubts(certainty: float, doubts: tuple[str, ...], verdict: str) -> None:
    assert judge(POLICY, certainty, doubts).verdict == verdict


def test_the_reason_is_the_doubt_or_the_certainty() -> None:
    assert judge(POLICY, 0.9, ("fifteen or fifty", "cut short")).reason == "fifteen or fifty; cut short"
    assert judge(POLICY, 0.55).reason == "certainty 0.55 is below 0.80"
    assert judge(POLICY, 0.1, ("cut short",)).reason == "certainty 0.10 is below 0.30"


@pytest.mark.parametrize(("accept_from", "ask_from"), [(0.3, 0.8), (1.2, 0.3), (0.8, -0.1), (math.nan, 0.3)])
def test_thresholds_out_of_order_are_refused(accept_from: float, ask_from: float) -> None:
    with pytest.raises(VoicelogError, match="give 0 <= ask <= accept <= 1"):
        Policy(accept_from, ask_from)


@given(st.floats(0, 1), st.floats(5, 500), st.floats(1.01, 3))
def test_the_policy_by_cost_is_the_cheapest_verdict(right: float, silent_error: float, say_again: float) -> None:
    policy = Policy.by_cost(silent_error, say_again)
    costs = {
        Verdict.ACCEPT: (1 - right) * silent_error,
        Verdict.ASK: 1 + (1 - right) * say_again,
        Verdict.REJECT: say_again,
    }
    chosen = judge(policy, right).verdict
    assert costs[chosen] <= min(costs.values()) + 1e-9 * silent_error
