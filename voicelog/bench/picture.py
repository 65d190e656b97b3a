"""Heat maps and reliability diagrams. Raises VoicelogError where matplotlib is missing or a file cannot be written."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np

from voicelog.bench.extra import need
from voicelog.bench.result import Result
from voicelog.bench.score import grouped, reliability, score
from voicelog.bench.table import ratio_name
from voicelog.values import VoicelogError


def heat_map(results: Sequence[Result], path: Path) -> None:
    """Calls right, in percent, and silent errors, for every voice and noise by ratio.

    A column of panels for each system, a row for each roster.
    """
    systems, rosters = (list(grouped(results, by)) for by in (lambda r: r.system, lambda r: r.roster))
    voices = list(dict.fromkeys(result.voice for result in results))
    noises = [noise for noise in dict.fromkeys(result.noise for result in results) if noise != "none"]
    ratios = sorted({r.snr_db for r in results}, key=lambda ratio: -np.inf if ratio is None else -ratio)
    names = [*voices, *noises]
    figure, axes = _figure(len(rosters), len(systems), 2.0 + 0.7 * len(ratios), 1.2 + 0.4 * len(names))
    for axis, (roster, system) in zip(axes.flat, product(rosters, systems), strict=True):
        some = [result for result in results if (result.system, result.roster) == (system, roster)]
        shares = np.full((len(names), len(ratios)), np.nan)
        for row, name in enumerate(names):
            for column, ratio in enumerate(ratios):
                cell = [r for r in some if name in (r.voice, r.noise) and r.snr_db == ratio]
                if cell:
                    got = score(cell)
                    shares[row, column] = got.right.share
                    text = f"{100 * got.right.share:.0f}" + (f"\n{got.silent.count} silent" if got.silent.count else "")
                    axis.text(column, row, text, ha="center", va="center", fontsize=7)
        axis.imshow(shares, vmin=0, vmax=1, cmap="RdYlGn", alpha=0.7, aspect="auto")
        axis.set_xticks(range(len(ratios)), [ratio_name(ratio) for ratio in ratios])
        axis.set_yticks(range(len(names)), names)
        axis.axhline(len(voices) - 0.5, color="black", linewidth=1)
        axis.set_title(f"{system}, live: {roster}\ncalls accepted right, %", fontsize=9)
    _save(figure, path)


def reliability_diagram(results: Sequence[Result], path: Path) -> None:
    """Share heard right by certainty, with Wilson intervals; a panel a system."""
    panels = grouped(results, lambda r: r.system)
    figure, axes = _figure(1, len(panels), 3.6, 3.6)
    for axis, (system, some) in zip(axes.flat, panels.items(), strict=True):
        axis.plot([0, 1], [0, 1], color="grey", linewidth=1, linestyle="--")
        told = reliability(some)
        title = f"{system}: no words heard"
        if told:
            certainty = [b.mean_certainty for b in told.bins]
            right = np.array([b.right.share for b in told.bins])
            # At a share of 0 or 1 an interval's end may lie past it by rounding.
            below = np.maximum(right - [b.right.low for b in told.bins], 0)
            above = np.maximum([b.right.high for b in told.bins] - right, 0)
            axis.errorbar(certainty, right, yerr=[below, above], fmt="o-", capsize=3)
            title = f"{system}: Brier {told.brier:.3f}, {told.calls} calls"
        axis.set(xlim=(0, 1), ylim=(0, 1), xlabel="certainty", ylabel="share heard right")
        axis.set_title(title, fontsize=9)
    _save(figure, path)


def _figure(rows: int, columns: int, width: float, height: float) -> tuple[Any, Any]:
    """A figure of panels of that width and height in inches."""
    figure = need("matplotlib.figure", "matplotlib").Figure((width * columns, height * rows), layout="constrained")
    return figure, figure.subplots(rows, columns, squeeze=False)


def _save(figure: Any, path: Path) -> None:
    try:
        figure.savefig(path, dpi=130)
    except (OSError, ValueError) as wrong:  # matplotlib tells an unknown kind of picture by ValueError.
        raise VoicelogError(f"{path}: cannot be written ({wrong}); name a .png in a folder that is there") from wrong
