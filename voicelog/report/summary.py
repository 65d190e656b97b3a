"""The summary at the end of a session, from the ledger alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from voicelog.ledger import Bird, Book, Event, SessionFinished, SessionStarted, fold
from voicelog.values import VoicelogError


@dataclass(frozen=True, slots=True)
class Summary:
    """What one session did. `left` are the bands of its roster without a sex; `book` folds its events."""

    session: str
    began: Event
    finished: bool
    pen: str | None
    roster: tuple[int, ...]
    left: tuple[int, ...]
    book: Book


def summarise(events: Iterable[Event]) -> Summary:
    """The summary of one session's events. Raises VoicelogError where they begin no session."""
    events = list(events)
    started = next((e for e in events if isinstance(e.fact, SessionStarted)), None)
    if started is None or not isinstance(started.fact, SessionStarted):
        raise VoicelogError("that session is not in this ledger; list the ledger's last one without --session")
    book = fold(events)
    done = {band for band, bird in book.birds.items() if bird.known.sex or bird.known.condition == "dead"}
    return Summary(
        session=started.session,
        began=started,
        finished=any(isinstance(e.fact, SessionFinished) for e in events),
        pen=started.fact.pen,
        roster=started.fact.roster,
        left=tuple(band for band in started.fact.roster if band not in done),
        book=book,
    )


def summary_lines(summary: Summary) -> list[str]:
    """The summary as lines of plain text."""
    birds = list(summary.book.birds.values())
    where = f"pen {summary.pen}, " if summary.pen else ""
    state = "" if summary.finished else " (not finished)"
    begun = summary.began.at.astimezone()
    lines = [
        f"Session of {begun:%d %B %Y, %H:%M}, {where}{len(summary.roster)} birds on the roster{state}",
        f"  called: {len(birds)}",
    ]
    for sex in ("male", "female", "unsure"):
        of_sex = [bird for bird in birds if bird.known.sex == sex]
        lines.append(f"  {sex}: {len(of_sex)}{_bands(of_sex)}")
    lines += _noted(birds)
    states = [call.state for call in summary.book.calls]
    lines.append(f"  struck: {states.count('voided')}, corrected: {states.count('superseded')}")
    missing = ", ".join(map(str, summary.left))
    lines.append(f"  no sex called yet: {len(summary.left)}" + (f" (bands {missing})" if missing else ""))
    return lines


def _noted(birds: Sequence[Bird]) -> list[str]:
    """Lines for what needs a hand: males to move, hens with foam, birds that are not fine, where each goes."""
    lines = []
    foamy = [bird for bird in birds if bird.known.sex == "female" and bird.known.foam in ("yes", "trace")]
    if foamy:
        lines.append(f"  called female, with foam; look again: {len(foamy)}{_bands(foamy)}")
    for condition in ("injured", "sick", "dead"):
        found = [bird for bird in birds if bird.known.condition == condition]
        if found:
            lines.append(f"  {condition}: {len(found)}{_bands(found)}")
    for fate in ("keep", "grow out", "sell", "cull"):
        found = [bird for bird in birds if bird.known.fate == fate]
        if found:
            lines.append(f"  to {fate}: {len(found)}{_bands(found)}")
    for pen in sorted({bird.known.pen for bird in birds if bird.known.pen}):
        found = [bird for bird in birds if bird.known.pen == pen]
        lines.append(f"  to pen {pen}: {len(found)}{_bands(found)}")
    weights = [bird.known.weight_g for bird in birds if bird.known.weight_g is not None]
    if weights:
        mean = sum(weights) / len(weights)
        lines.append(f"  weighed: {len(weights)}, {min(weights):.1f} to {max(weights):.1f} g, mean {mean:.1f} g")
    return lines


def _bands(birds: Sequence[Bird]) -> str:
    return f" (bands {', '.join(str(bird.band) for bird in birds)})" if birds else ""
