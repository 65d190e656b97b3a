"""A rehearsal from the recorded prompts to what was found."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from voicelog.grammar import Grammar
from voicelog.hearing import Recogniser
from voicelog.rehearse.held_back import FEWEST, Trial, helps, try_transform
from voicelog.rehearse.levels import levels_of
from voicelog.rehearse.report import Findings
from voicelog.rehearse.takes import Result, Take, hear
from voicelog.rehearse.thresholds import Thresholds, best_thresholds


def rehearse(
    takes: Sequence[Take],
    recogniser: Recogniser,
    grammar: Grammar,
    now: Thresholds,
    on_result: Callable[[Result | None], None] = lambda _: None,
) -> Findings:
    """Hears the takes, and for PocketSphinx tries a transform on them.

    `recogniser` has no transform yet; `now` are the thresholds that hold without
    a rehearsal. `on_result` is called after every prompt heard, with None for
    those of the trial.
    """
    results = []
    for result in hear(takes, recogniser, grammar):
        results.append(result)
        on_result(result)
    trial: Trial | None = None
    no_trial = "only PocketSphinx can be fitted"
    if recogniser.name == "pocketsphinx":
        trial = try_transform(takes, results, grammar, lambda: on_result(None))
        no_trial = f"it takes {FEWEST} prompts that are said as they should be"
    kept = trial is not None and helps(results, trial.results, now.accept_from)
    best = trial.results if trial is not None and kept else results
    return Findings(
        results=tuple(results),
        levels=levels_of([take.raw for take in takes]),
        now=now,
        chosen=best_thresholds(now, [(it.heard.certainty, it.right) for it in best]),
        trial=trial,
        no_trial=no_trial,
        kept=kept,
    )
