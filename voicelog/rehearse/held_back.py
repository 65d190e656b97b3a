"""Whether a transform helps on prompts that it was not made from."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from voicelog.grammar import Grammar
from voicelog.hearing import Recogniser
from voicelog.hearing.sphinx import model_folder
from voicelog.rehearse.acoustic import read_model
from voicelog.rehearse.align import Aligned, Aligner
from voicelog.rehearse.mllr import Transform, estimate
from voicelog.rehearse.slips import slips
from voicelog.rehearse.takes import Result, Take, hear

PARTS = 4
"""The prompts are held back a quarter at a time."""

FEWEST = 8
"""With fewer prompts no transform is tried: what is left of them would say too little about a voice."""

_LEAST_GAIN = 0.02
"""In certainty. A smaller rise of the mean margin is chance."""


@dataclass(frozen=True, eq=False, slots=True)
class Trial:
    """Every prompt as heard with a transform made without it; `transform` is made from all of them."""

    transform: Transform
    results: tuple[Result, ...]


def margin(results: Sequence[Result]) -> float:
    """The mean certainty, that of wrong ones counted against: from -1 to 1."""
    return sum(it.heard.certainty if it.right else -it.heard.certainty for it in results) / len(results)


def helps(before: Sequence[Result], after: Sequence[Result], accept_from: float) -> bool:
    """Whether more prompts are right, or as many with a clearly better margin, and none more is wrong silently."""

    def right(results: Sequence[Result]) -> int:
        return sum(it.right for it in results)

    def silently_wrong(results: Sequence[Result]) -> int:
        return sum(not it.right and it.heard.certainty >= accept_from for it in results)

    if silently_wrong(after) > silently_wrong(before) or right(after) < right(before):
        return False
    return right(after) > right(before) or margin(after) - margin(before) >= _LEAST_GAIN


def try_transform(
    takes: Sequence[Take],
    heard: Sequence[Result],
    grammar: Grammar,
    open_with: Callable[[Path], Recogniser],
    on_result: Callable[[], None],
) -> Trial | None:
    """Transforms for PocketSphinx made and tried; `heard` are the takes without one.

    None where too few prompts were said as they should be. `open_with` opens
    the recogniser with a transform's file, `on_result` is called after every
    prompt.
    """
    with Aligner() as aligner:
        aligned = [
            aligner.align(take.clean, take.prompt) if _said(it) else None for take, it in zip(takes, heard, strict=True)
        ]
    if sum(one is not None for one in aligned) < FEWEST:
        return None
    model = read_model(model_folder() / "en-us")

    def made_from(chosen: Iterable[Aligned | None]) -> Transform:
        return estimate(model, [one for one in chosen if one is not None])

    results: dict[int, Result] = {}
    with tempfile.TemporaryDirectory(prefix="voicelog-mllr-") as folder:
        for part in range(PARTS):
            file = Path(folder) / f"{part}.mllr"
            others = made_from(one for at, one in enumerate(aligned) if at % PARTS != part)
            file.write_text(others.as_text(), encoding="utf-8")
            held_back = range(part, len(takes), PARTS)
            for at, result in zip(held_back, hear(takes[part::PARTS], open_with(file), grammar), strict=True):
                results[at] = result
                on_result()
    return Trial(made_from(aligned), tuple(results[at] for at in range(len(takes))))


def _said(result: Result) -> bool:
    """Whether the handler can have said the prompt: where most words differ, something else was said."""
    return len(slips(result.prompt, result.words)) <= len(result.prompt) / 2
