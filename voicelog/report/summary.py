"""The summary at the end of a session, from the ledger alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from voicelog.flock import ranges
from voicelog.ledger import (
    Banded,
    Bird,
    Book,
    CallVoided,
    Counted,
    Event,
    Retracted,
    SessionFinished,
    SessionStarted,
    fold,
    taken_back,
)
from voicelog.values import Call, VoicelogError


@dataclass(frozen=True, slots=True)
class Summary:
    """What one session did. `left` are the bands of its roster that were not done; `book` folds its events.

    `counted` are the birds of a tally by sex, `banded` the bands put on. `changed` are the birds whose sex was
    another one in an earlier session.
    """

    session: str
    began: Event
    finished: bool
    pen: str | None
    roster: tuple[int, ...]
    left: tuple[int, ...]
    book: Book
    purpose: str = "check"
    counted: tuple[tuple[str, int], ...] = ()
    banded: tuple[int, ...] = ()
    changed: tuple[int, ...] = ()


def summarise(events: Iterable[Event], changed: Iterable[int] = ()) -> Summary:
    """The summary of one session's events. Raises VoicelogError where they begin no session.

    `changed` are bands whose sex is another one than in an earlier session.
    """
    events = list(events)
    started = next((e for e in events if isinstance(e.fact, SessionStarted)), None)
    if started is None or not isinstance(started.fact, SessionStarted):
        raise VoicelogError("that session is not in this ledger; list the ledger's last one without --session")
    book = fold(events)
    purpose = started.fact.purpose
    done = {band for band, bird in book.birds.items() if _done(bird.known, purpose)}
    taken = taken_back((e.id, e.fact.target) for e in events if isinstance(e.fact, CallVoided | Retracted))
    counted = Counter(e.fact.sex for e in events if isinstance(e.fact, Counted) and e.id not in taken)
    banded = [e.fact.band for e in events if isinstance(e.fact, Banded) and e.id not in taken]
    return Summary(
        session=started.session,
        began=started,
        finished=any(isinstance(e.fact, SessionFinished) for e in events),
        pen=started.fact.pen,
        roster=started.fact.roster,
        left=tuple(band for band in started.fact.roster if band not in done),
        book=book,
        purpose=purpose,
        counted=tuple((sex, counted[sex]) for sex in ("female", "male", "unsure")),
        banded=tuple(banded),
        changed=tuple(sorted(band for band in changed if band in book.birds)),
    )


def _done(known: Call, purpose: str) -> bool:
    """Whether a bird needs nothing more in a session of this kind."""
    if purpose in ("roll call", "moving"):
        return True
    told = known.weight_g if purpose == "weighing" else known.sex
    return told is not None or known.condition == "dead"


def summary_lines(summary: Summary) -> list[str]:
    """The summary as lines of plain text."""
    birds = list(summary.book.birds.values())
    where = f"pen {summary.pen}, " if summary.pen else ""
    state = "" if summary.finished else " (not finished)"
    begun = summary.began.at.astimezone()
    if summary.purpose == "tally":
        return _tally_lines(summary, f"Tally of {begun:%d %B %Y, %H:%M}, {where}")
    kind = "Session" if summary.purpose == "check" else summary.purpose.capitalize()
    roster = "" if summary.purpose == "banding" else f"{len(summary.roster)} birds on the roster"
    lines = [
        f"{kind} of {begun:%d %B %Y, %H:%M}, {where}{roster}".removesuffix(", ") + state,
        f"  called: {len(birds)}",
    ]
    if summary.banded:
        lines.append(f"  banded: {len(summary.banded)} (bands {ranges(summary.banded)})")
    if summary.changed:
        lines.append(f"  another sex than before: {len(summary.changed)} (bands {ranges(summary.changed)})")
    for sex in ("male", "female", "unsure"):
        of_sex = [bird for bird in birds if bird.known.sex == sex]
        lines.append(f"  {sex}: {len(of_sex)}{_bands(of_sex)}")
    lines += _noted(birds)
    states = [call.state for call in summary.book.calls]
    lines.append(f"  struck: {states.count('voided')}, corrected: {states.count('superseded')}")
    if summary.purpose in _MISSING:
        missing = f" (bands {ranges(summary.left)})" if summary.left else ""
        lines.append(f"  {_MISSING[summary.purpose]}: {len(summary.left)}{missing}")
    return lines


_MISSING = {"check": "no sex called yet", "weighing": "not weighed", "roll call": "not seen"}


def _tally_lines(summary: Summary, head: str) -> list[str]:
    counts = dict(summary.counted)
    lines = [f"{head}{sum(counts.values())} birds{'' if summary.finished else ' (not finished)'}"]
    return lines + [f"  {sex}: {count}" for sex, count in counts.items()]


def _noted(birds: Sequence[Bird]) -> list[str]:
    """Lines for what needs a hand: males to move, hens with foam, birds that are not fine, where each goes."""
    lines = []
    alive = [bird for bird in birds if bird.known.condition != "dead"]
    males = [bird for bird in alive if bird.known.sex == "male" and bird.known.pen is None]
    if males and any(bird.known.sex == "female" for bird in alive):
        lines.append(f"  males to move out, so that hens stay free of foam: {len(males)}{_bands(males)}")
    foamy = [bird for bird in alive if bird.known.sex == "female" and bird.known.foam in ("yes", "trace")]
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
    return f" (bands {ranges(bird.band for bird in birds)})" if birds else ""
