"""A rehearsal from the recorded prompts to what was found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from voicelog.grammar import Grammar
from voicelog.hearing import Recogniser
from voicelog.rehearse.held_back import FEWEST, Trial, helps, try_transform
from voicelog.rehearse.levels import levels_of
from voicelog.rehearse.report import Findings
from voicelog.rehearse.takes import Take, hear
from voicelog.rehearse.thresholds import Thresholds, best_thresholds


def rehearse(
    takes: Sequence[Take],
    open_with: Callable[[Path | None], Recogniser],
    grammar: Grammar,
    now: Thresholds,
    on_result: Callable[[], None] = lambda: None,
) -> Findings:
    """Hears the takes, and for PocketSphinx tries a transform on them.

    `open_with` opens the recogniser, with the file of a transform or without;
    `now` are the thresholds that hold without a rehearsal. `on_result` is called
    after every prompt heard.
    """
    recogniser = open_with(None)
    results = []
    for result in hear(takes, recogniser, grammar):
        results.append(result)
        on_result()
    trial: Trial | None = None
    no_trial = "only PocketSphinx can be fitted"
    if recogniser.name == "pocketsphinx":
        trial = try_transform(takes, results, grammar, open_with, on_result)
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
