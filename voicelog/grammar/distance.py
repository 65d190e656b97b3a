"""How far apart two pronunciations, or two wordings, sound: an edit distance over phones."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from voicelog.grammar.confusion import PhoneCosts


def phone_distance(a: Sequence[str], b: Sequence[str], costs: PhoneCosts, limit: float = 1.0) -> float:
    """From 0 (sound the same) to 1 (nothing in common), the same both ways round.

    The least cost of turning one into the other by missing, adding and mistaking
    phones (Wagner & Fischer 1974, Journal of the ACM 21:168-173), as a share of
    what the heavier of the two would cost to miss altogether. What is surely beyond
    `limit` comes back as 1, sooner.
    """
    row = _running(costs.skip[phone] for phone in b)
    heavier = max(sum(costs.skip[phone] for phone in a), row[-1])
    if heavier == 0:
        return 0.0
    for phone in a:
        row = _next_row(row, phone, b, costs)
        if min(row) > limit * heavier:
            return 1.0
    return min(row[-1] / heavier, 1.0)


def _running(amounts: Iterable[float]) -> list[float]:
    """The sums so far, from 0."""
    sums = [0.0]
    for amount in amounts:
        sums.append(sums[-1] + amount)
    return sums


def _next_row(row: Sequence[float], phone: str, b: Sequence[str], costs: PhoneCosts) -> list[float]:
    skip, swap = costs.skip, costs.swap
    missed = skip[phone]
    following = [row[0] + missed]
    for at, other in enumerate(b, 1):
        following.append(min(row[at] + missed, following[-1] + skip[other], row[at - 1] + swap[phone, other]))
    return following


def align(said: Sequence[str], heard: Sequence[str], costs: PhoneCosts) -> list[tuple[str, str]]:
    """Which phone was heard for which, in order; "" stands for none."""
    rows = [_running(costs.skip[phone] for phone in heard)]
    for phone in said:
        rows.append(_next_row(rows[-1], phone, heard, costs))
    pairs: list[tuple[str, str]] = []
    i, j = len(said), len(heard)
    while i or j:
        here = rows[i][j]
        if i and j and math.isclose(here, rows[i - 1][j - 1] + costs.swap[said[i - 1], heard[j - 1]]):
            i, j = i - 1, j - 1
            pairs.append((said[i], heard[j]))
        elif i and math.isclose(here, rows[i - 1][j] + costs.skip[said[i - 1]]):
            i -= 1
            pairs.append((said[i], ""))
        else:
            j -= 1
            pairs.append(("", heard[j]))
    return pairs[::-1]
