"""What a rehearsal found out, in lines for a person."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voicelog.rehearse.held_back import Trial, margin
from voicelog.rehearse.levels import Levels, advice
from voicelog.rehearse.slips import NOTHING, tally
from voicelog.rehearse.takes import Result
from voicelog.rehearse.thresholds import Thresholds


@dataclass(frozen=True, eq=False, slots=True)
class Findings:
    """`trial` is None where no transform was tried, with the reason in `no_trial`. `kept` says that it helped."""

    results: tuple[Result, ...]
    levels: Levels
    now: Thresholds
    chosen: Thresholds
    trial: Trial | None
    no_trial: str
    kept: bool

    @property
    def best(self) -> tuple[Result, ...]:
        """What was heard as it will be heard from now on."""
        return self.trial.results if self.trial is not None and self.kept else self.results


def report(findings: Findings) -> list[str]:
    """One line a fact, in the order of need."""
    return [
        *_heard(findings.results),
        *_words(findings.results),
        *_sound(findings.levels),
        *_transform(findings),
        *_thresholds(findings),
    ]


def count_right(results: Sequence[Result]) -> int:
    return sum(it.right for it in results)


def _heard(results: Sequence[Result]) -> list[str]:
    lines = [f"right: {count_right(results)} of {len(results)} prompts"]
    for it in results:
        if not it.right:
            heard = " ".join(it.words) or "(nothing)"
            lines.append(f"  said “{' '.join(it.prompt)}”, heard “{heard}” (certainty {it.heard.certainty:.2f})")
    return lines


def _words(results: Sequence[Result]) -> list[str]:
    words = tally((it.prompt, it.words) for it in results if not it.right)
    every = tally((it.prompt, ()) for it in results)
    failing = {word: found for word, found in words.items() if found.taken_for}
    lines = []
    for word, found in sorted(failing.items(), key=lambda entry: -entry[1].taken_for.total()):
        taken = ", ".join(
            f"{_shown(other)}{f' ({times} times)' if times > 1 else ''}"
            for other, times in found.taken_for.most_common()
        )
        if word == NOTHING:
            lines.append(f"  heard though not said: {taken}")
        else:
            lines.append(f"  {word}: failed {found.taken_for.total()} of {every[word].said}, taken for {taken}")
    return ["words that fail for this voice in this place:", *lines] if lines else ["no word failed"]


def _shown(word: str) -> str:
    return "nothing" if word == NOTHING else f"“{word}”"


def _sound(levels: Levels) -> list[str]:
    told = advice(levels) or ["the level is good"]
    return [
        f"sound: voice {levels.speech:.0f} dBFS, noise {levels.noise:.0f} dBFS, {levels.snr:.0f} dB apart, "
        f"loudest peak {levels.peak:.0f} dBFS",
        *(f"  {line}" for line in told),
        *([f"  until then: gain_db = {levels.gain_db:.0f}, which is added here"] if levels.gain_db else []),
    ]


def _transform(findings: Findings) -> list[str]:
    if findings.trial is None:
        return [f"fitting to the voice: not tried: {findings.no_trial}"]
    before, after = findings.results, findings.trial.results
    return [
        f"fitting to the voice: {'helps, kept' if findings.kept else 'does not clearly help, left off'}: "
        f"held-back prompts right {count_right(before)} without, {count_right(after)} with, of {len(after)}; "
        f"mean margin {margin(before):.2f} and {margin(after):.2f}"
    ]


def _thresholds(findings: Findings) -> list[str]:
    now, chosen = findings.now, findings.chosen
    if chosen == now:
        return [f"thresholds: as they are (accept from {now.accept_from:.2f}, ask from {now.ask_from:.2f})"]
    return [
        f"thresholds: accept from {chosen.accept_from:.2f} (now {now.accept_from:.2f}), "
        f"ask from {chosen.ask_from:.2f} (now {now.ask_from:.2f})"
    ]
