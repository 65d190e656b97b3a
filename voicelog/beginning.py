"""How a session begins: from its kind and its pen, the roster, what is known, and the words that open it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from voicelog.flock import Plans, Yard, due, earlier_calls, gone_birds, live_bands, yard_now
from voicelog.ledger import Ledger
from voicelog.session import Kind, Known, Purpose, wording
from voicelog.values import VoicelogError

ANY_BAND = tuple(range(1, 300))
"""The roster where nothing is known of the birds."""

HIGHEST_BAND = 9999

CLOCK_MAY_DIFFER = timedelta(days=1)
"""Two devices whose ledgers are merged hardly ever have the same time."""

FREE_BANDS = 60
"""How many free bands a banding listens for, from the lowest on, where none are named."""


@dataclass(frozen=True, slots=True)
class Beginning:
    """`opening` is said first; empty where no pen is named, and at a banding the next band. `warnings` tell on the
    screen what is odd about the pen."""

    purpose: Purpose
    roster: tuple[int, ...]
    known: Mapping[int, Known] = field(default_factory=dict)
    gone: Mapping[int, str] = field(default_factory=dict)
    opening: str = ""
    warnings: tuple[str, ...] = ()


def clock_warning(ledger: Ledger) -> str:
    """What to say where the clock stands before what is in the ledger, else nothing.

    It is no error: a small computer without a battery for its clock still has to take the calls.
    """
    latest, now = ledger.latest(), datetime.now().astimezone()
    if latest is None or latest < now + CLOCK_MAY_DIFFER:
        return ""
    return (
        f"the clock says {now:%Y-%m-%d}, and the ledger goes on to {latest.astimezone(now.tzinfo):%Y-%m-%d}: "
        "set the clock, or what is written now is kept under the wrong day"
    )


def opened(ledger: Ledger, *words: str) -> str:
    """The words that open a session, behind what is wrong with the clock."""
    return ". ".join(filter(None, (wording.CLOCK_BEHIND if clock_warning(ledger) else "", *words)))


def begin(
    ledger: Ledger | None,
    plans: Plans,
    kind: Kind = "check",
    *,
    roster: Sequence[int] | None = None,
    pen: str | None = None,
    lot: str | None = None,
    to: str | None = None,
    going_on: bool = False,
) -> Beginning:
    """A session of this kind, now. Raises VoicelogError for what the kind needs and was not named.

    Where it is `going_on` with a session that began before, pen and lot are that one's, whatever is left of them.
    """
    if kind == "moving" and to is None:
        raise VoicelogError("a move needs the pen that the birds go to; name it with --to")
    if ledger is None:
        purpose = Purpose(kind, pen, lot, to=to)
        return Beginning(purpose, () if kind == "tally" else tuple(roster or ANY_BAND))
    yard = yard_now(ledger)
    if lot is not None and lot not in yard.lots and not going_on:
        raise VoicelogError(f"no lot {lot} in this ledger; enter it with voicelog set-eggs or voicelog hatch")
    if kind in ("tally", "banding"):
        if not going_on:
            pen = _pen_of(yard, kind, pen, lot)
        lot = _lot_in(yard, pen) if lot is None else lot
    males_to = next((name for name, found in yard.pens.items() if found.use == "males"), None)
    purpose = Purpose(kind, pen, lot, males_to=males_to, to=to)
    known = {band: Known(sex, when) for band, (sex, when) in earlier_calls(ledger, datetime.now().astimezone()).items()}
    bands = _roster(ledger, kind, roster, pen)
    gone = {} if kind == "banding" else gone_birds(ledger)
    words = _opening(yard, plans, purpose, bands)
    if going_on or pen is None:
        return Beginning(purpose, bands, known, gone, opened(ledger, words))
    doubt, warnings = _of_pen(ledger, yard, pen, bands)
    return Beginning(purpose, bands, known, gone, opened(ledger, doubt, words), warnings)


def _roster(ledger: Ledger, kind: Kind, roster: Sequence[int] | None, pen: str | None) -> tuple[int, ...]:
    if kind == "tally":
        return ()
    if kind == "banding":
        worn = frozenset(live_bands(ledger))
        free = [band for band in roster or range(1, HIGHEST_BAND + 1) if band not in worn]
        if not free:
            raise VoicelogError("every band of that roster is worn by a live bird; name others with --roster")
        return tuple(free if roster else free[:FREE_BANDS])
    if roster is not None:
        return tuple(roster)
    return tuple(live_bands(ledger, pen)) or ANY_BAND if pen is not None else ANY_BAND


def _of_pen(ledger: Ledger, yard: Yard, pen: str, bands: Sequence[int]) -> tuple[str, tuple[str, ...]]:
    """What is odd about the pen of a session: in the words that open it, and as warnings on the screen.

    It is no error, since a keeper may check first and enter the birds afterwards. But a pen that no fact names, where
    others are known, is likely a slip; and where no bird is known to be, no band can be told from
    another that sounds like it by not being there.
    """
    said, warnings = "", []
    if yard.known_pens and not ledger.names_pen(pen):
        said = wording.pen_unknown(pen)
        known = ", ".join(sorted(yard.known_pens))
        warnings.append(f"no fact of this ledger names pen {pen}, but others ({known}): check the name")
    if bands is ANY_BAND:
        said = f"{said or wording.no_banded_bird(pen)}, {wording.ANY_BAND}"
        warnings.append(
            f"no bird with a band is known to be in pen {pen}, so every band from {bands[0]} to {bands[-1]} is "
            "listened for: name those that are there with --roster"
        )
    return said, tuple(warnings)


def _pen_of(yard: Yard, kind: Kind, pen: str | None, lot: str | None) -> str | None:
    """The pen of a tally or a banding: the one named, else the one that all birds without bands are in.

    What is counted or banded in another pen is not taken off those that the book knows of, and nobody would see
    that it is missing. Raises VoicelogError where the pen cannot be told, or none of the birds are in it.
    """
    places = {at for (name, at), count in yard.loose.items() if count > 0 and lot in (None, name)}
    # Birds that hatched into no pen that was named may be in any.
    if not places or pen in places or (None in places and (pen is None or lot is not None)):
        return pen
    known = sorted(at for at in places if at is not None)
    of_it = "" if lot is None else f" of lot {lot}"
    if pen is None:
        if len(known) == 1:
            return known[0]
        raise VoicelogError(
            f"birds without bands{of_it} are in several pens ({', '.join(known)}); say which with --pen"
        )
    # A tally of birds that are not in the book does no harm; a banding makes birds of them.
    if kind == "tally" and lot is None:
        return pen
    where = f"{'pen' if len(known) == 1 else 'pens'} {', '.join(known)}" if known else "no pen that was named"
    name = "their lot with --lot" if None in places else "that with --pen"
    raise VoicelogError(
        f"no birds without bands{of_it} are in pen {pen}, but in {where}: name {name}, "
        "or enter birds that are new first with voicelog hatch"
    )


def _lot_in(yard: Yard, pen: str | None) -> str | None:
    """The one lot with birds without bands in a pen. Raises VoicelogError where there are several."""
    lots = sorted({name for (name, at), count in yard.loose.items() if at == pen and count > 0})
    if len(lots) > 1:
        raise VoicelogError(f"pen {pen} holds birds without bands of lots {', '.join(lots)}; name one with --lot")
    return lots[0] if lots else None


def _opening(yard: Yard, plans: Plans, purpose: Purpose, bands: Sequence[int]) -> str:
    if purpose.kind == "banding":
        return wording.next_free(bands[0])
    if purpose.pen is None:
        return ""
    checks = [
        task
        for task in due(yard, plans, date.today(), 0)
        if task.kind == "check" and task.pen == purpose.pen and purpose.lot in (None, task.lot)
    ]
    if purpose.kind == "tally":
        loose = sum(
            count for (lot, pen), count in yard.loose.items() if pen == purpose.pen and purpose.lot in (None, lot)
        )
        return wording.opening(purpose.pen, checks[0].what if checks else "tally", loose)
    if purpose.kind == "check" and checks:
        of_check = [task.count for task in checks if task.what == checks[0].what]
        return wording.opening(purpose.pen, checks[0].what, sum(of_check))
    named = None if purpose.kind == "check" else purpose.kind
    return wording.opening(purpose.pen, named, len(bands)) if bands is not ANY_BAND else ""
