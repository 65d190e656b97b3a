"""The summary of a session, from the ledger alone: its calls as they stand now, and what was changed since."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from voicelog.flock import ranges, says
from voicelog.ledger import (
    TAKERS,
    Banded,
    Bird,
    Book,
    CallVoided,
    Counted,
    Event,
    Retracted,
    SessionFinished,
    SessionStarted,
    fates,
    fold,
    taken_back,
)
from voicelog.values import Call, VoicelogError


@dataclass(frozen=True, slots=True)
class Summary:
    """What one session did. `left` are the bands of its roster that were not done; `book` folds its events,
    and what corrected one of them or took it back since.

    `counted` are the birds of a tally by sex, `banded` the bands put on. `changed` are the birds whose sex was
    another one in an earlier session. `struck` and `corrected` count calls by what was said in the session itself;
    `since` tells in plain words what became of its facts afterwards. `conflicts` counts what cannot all be true.
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
    lot: str | None = None
    struck: int = 0
    corrected: int = 0
    since: tuple[str, ...] = ()
    conflicts: int = 0


def summarise(events: Iterable[Event], changed: Iterable[int] = (), conflicts: int = 0) -> Summary:
    """The summary of one session's events, and of what corrected one of them or took it back since.

    `changed` are bands whose sex is another one than in an earlier session, `conflicts` how many things cannot all be
    true that the session is part of. Raises VoicelogError where the events begin no session.
    """
    events = list(events)
    started = next((e for e in events if isinstance(e.fact, SessionStarted)), None)
    if started is None or not isinstance(started.fact, SessionStarted):
        raise VoicelogError("that session is not in this ledger; list the ledger's last one without --session")
    own = [event for event in events if event.session == started.session]
    states = [call.state for call in fold(own).calls]
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
        lot=started.fact.lot,
        struck=states.count("voided"),
        corrected=states.count("superseded"),
        since=tuple(_since(events, own)),
        conflicts=conflicts,
    )


def _since(events: Sequence[Event], own: Sequence[Event]) -> Iterator[str]:
    """What became of the facts of a session (`own`) by later ones, and the corrections that stand, in plain words."""
    plain = [(event.id, event.fact.model_dump(mode="json")) for event in events]
    ids = {event.id for event in own}
    then, now = fates((event_id, fact) for event_id, fact in plain if event_id in ids), fates(plain)
    for event_id, fact in plain:
        fate = now.get(event_id)
        if fact["kind"] in TAKERS:
            continue
        if event_id in ids and fate != then.get(event_id):
            yield f"{says(fact)}  [{fate or 'counts again'}]"
        elif event_id not in ids and fate is None:
            yield says(fact)


def _done(known: Call, purpose: str) -> bool:
    """Whether a bird needs nothing more in a session of this kind."""
    if purpose in ("roll call", "moving"):
        return True
    told = known.weight_g if purpose == "weighing" else known.sex
    return told is not None or known.condition == "dead"


def summary_lines(summary: Summary) -> list[str]:
    """The summary as lines of plain text."""
    birds = list(summary.book.birds.values())
    where = "".join(f"{what} {name}, " for what, name in (("pen", summary.pen), ("lot", summary.lot)) if name)
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
    lines.append(f"  struck: {summary.struck}, corrected: {summary.corrected}")
    if summary.purpose in _MISSING:
        missing = f" (bands {ranges(summary.left)})" if summary.left else ""
        lines.append(f"  {_MISSING[summary.purpose]}: {len(summary.left)}{missing}")
    return lines + _afterwards(summary)


def _afterwards(summary: Summary) -> list[str]:
    """What was changed since, and that something cannot be true; nothing where there is neither."""
    lines = ["  changed since:"] if summary.since else []
    # Somebody's own words may hold a line break; an entry is one line.
    lines += [f"    {' '.join(told.splitlines())}" for told in summary.since]
    if summary.conflicts:
        lines.append(f"  conflicts: {summary.conflicts}, see voicelog conflicts")
    return lines


_MISSING = {"check": "no sex called yet", "weighing": "not weighed", "roll call": "not seen"}


def _tally_lines(summary: Summary, head: str) -> list[str]:
    counts = dict(summary.counted)
    lines = [f"{head}{sum(counts.values())} birds{'' if summary.finished else ' (not finished)'}"]
    return lines + [f"  {sex}: {count}" for sex, count in counts.items()] + _afterwards(summary)


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
