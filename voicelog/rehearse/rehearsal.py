"""A rehearsal from the recorded prompts to what was found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from voicelog.audio import NoiseStage, amplify
from voicelog.audio.clean import ClipCleaner
from voicelog.grammar import Grammar
from voicelog.hearing import Recogniser
from voicelog.rehearse.held_back import FEWEST, Trial, helps, try_transform
from voicelog.rehearse.levels import levels_of
from voicelog.rehearse.prompts import Words
from voicelog.rehearse.report import Findings
from voicelog.rehearse.takes import hear, take_of
from voicelog.rehearse.thresholds import Thresholds, best_thresholds
from voicelog.values import Frames


def rehearse(
    prompts: Sequence[Words],
    recordings: Sequence[tuple[str, Frames]],
    stage: NoiseStage,
    open_with: Callable[[Path | None], Recogniser],
    grammar: Grammar,
    now: Thresholds,
    on_result: Callable[[], None] = lambda: None,
) -> Findings:
    """Hears the recordings, one for each prompt, by name, and for PocketSphinx tries a transform on them.

    `open_with` opens the recogniser, with the file of a transform or without;
    `now` are the thresholds that hold without a rehearsal. `on_result` is called
    after every prompt heard. Raises VoicelogError for a recording without speech.
    """
    levels = levels_of([raw for _, raw in recordings])
    cleaner = ClipCleaner(stage)
    takes = [
        take_of(prompt, amplify(raw, levels.gain_db), cleaner, name)
        for prompt, (name, raw) in zip(prompts, recordings, strict=True)
    ]
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
        levels=levels,
        now=now,
        chosen=best_thresholds(now, [(it.heard.certainty, it.right) for it in best]),
        trial=trial,
        no_trial=no_trial,
        kept=kept,
    )
