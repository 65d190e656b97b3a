"""Figures of a set of results: shares with their Wilson intervals, and how well certainty tells right from wrong."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict

from voicelog.bench.extra import scipy_part
from voicelog.bench.result import Result
from voicelog.session import Policy
from voicelog.values import Verdict

BINS = 10


class _Figures(BaseModel):
    model_config = ConfigDict(frozen=True)


class Share(_Figures):
    """`count` of `of`, and the Wilson interval of the share at 95 %."""

    count: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        return self.count / self.of


class Score(_Figures):
    """What became of the calls of one cell. `asked_right`: the record that was asked about was right;
    `asked_by_rule`: besides, the certainty would do by the policy's defaults, and there was another reason to ask.

    `real_time_factor` is processor time by length of sound; `compute_s` processor seconds a call.
    """

    right: Share
    asked: Share
    asked_right: int
    asked_by_rule: int
    rejected: Share
    silent: Share
    real_time_factor: float
    compute_s: float


class Bin(_Figures):
    """Calls whose certainty lies between two tenths: its mean, and the share that was heard right."""

    mean_certainty: float
    right: Share


class Reliability(_Figures):
    """Brier score: mean square of certainty less outcome (1 right, 0 wrong). `base_brier` is that of
    saying the overall share every time; below it, the certainty tells something. `calibration_error`:
    mean distance of certainty from share right, bins weighted by their calls."""

    calls: int
    brier: float
    base_brier: float
    calibration_error: float
    bins: list[Bin]


def share(count: int, of: int) -> Share:
    """Raises ValueError for no trials."""
    interval = scipy_part("stats").binomtest(count, of).proportion_ci(0.95, method="wilson")
    return Share(count=count, of=of, low=float(interval.low), high=float(interval.high))


def score(results: Sequence[Result]) -> Score:
    """Raises ValueError for no results."""
    n = len(results)
    asked = [result for result in results if result.verdict is Verdict.ASK]
    asked_right = [result for result in asked if result.record_right]
    compute_s = sum(result.compute_s for result in results)
    return Score(
        right=share(sum(r.verdict is Verdict.ACCEPT and r.record_right for r in results), n),
        asked=share(len(asked), n),
        asked_right=len(asked_right),
        asked_by_rule=sum(result.certainty >= Policy().accept_from for result in asked_right),
        rejected=share(sum(result.verdict is Verdict.REJECT for result in results), n),
        silent=share(sum(result.silent_error for result in results), n),
        real_time_factor=compute_s / sum(result.audio_s for result in results),
        compute_s=compute_s / n,
    )


def reliability(results: Iterable[Result]) -> Reliability | None:
    """Of every call in which any words were heard, whatever the verdict; None where there is none."""
    heard = [result for result in results if result.heard]
    if not heard:
        return None
    certainty = np.array([result.certainty for result in heard])
    right = np.array([result.heard_right for result in heard], dtype=float)
    place = np.minimum((certainty * BINS).astype(int), BINS - 1)
    bins = [
        Bin(
            mean_certainty=float(certainty[place == b].mean()),
            right=share(int(right[place == b].sum()), int((place == b).sum())),
        )
        for b in range(BINS)
        if (place == b).any()
    ]
    return Reliability(
        calls=len(heard),
        brier=float(np.mean((certainty - right) ** 2)),
        base_brier=float(right.mean() * (1 - right.mean())),
        calibration_error=sum(abs(b.mean_certainty - b.right.share) * b.right.of for b in bins) / len(heard),
        bins=bins,
    )


def grouped(results: Iterable[Result], by: Callable[[Result], Any]) -> dict[Any, list[Result]]:
    """Results by what `by` says of them, in order of first appearance."""
    groups: dict[Any, list[Result]] = defaultdict(list)
    for result in results:
        groups[by(result)].append(result)
    return dict(groups)
