"""What is known of each bird before a session begins."""

from __future__ import annotations

from datetime import date, datetime

from voicelog.ledger import Ledger, fold_birds
from voicelog.values import Sex


def earlier_calls(ledger: Ledger, now: datetime) -> dict[int, tuple[Sex, str]]:
    """By band of a live bird: the sex called last, and when, as it is spoken ("on 3 May"). `now` is aware."""
    rows = ledger.db.execute(
        "SELECT band, sex, sexed_on FROM bird WHERE state = 'live' AND band IS NOT NULL AND sex IS NOT NULL"
    )
    return {band: (sex, _spoken(date.fromisoformat(day), now.date())) for band, sex, day in rows}


def _spoken(day: date, today: date) -> str:
    return "earlier today" if day == today else f"on {day.day} {day:%B}"


def gone_birds(ledger: Ledger) -> dict[int, str]:
    """By band: how the bird that wore it last went, "dead" or "sold", where no live bird wears it now."""
    rows = ledger.db.execute("SELECT band, state FROM bird WHERE band IS NOT NULL ORDER BY state = 'live', gone_on")
    return {band: how for band, how in dict(rows.fetchall()).items() if how != "live"}


def live_bands(ledger: Ledger, pen: str | None = None) -> list[int]:
    """The bands of the live birds, of one pen or of all."""
    where, asked = ("", []) if pen is None else (" AND pen = ?", [pen])
    sql = f"SELECT band FROM bird WHERE state = 'live' AND band IS NOT NULL{where} ORDER BY band"
    return [band for (band,) in ledger.db.execute(sql, asked)]


def names_bird(ledger: Ledger, band: int, on: date) -> bool:
    """Whether a band named a bird on that day: one that wore it, or had it before it was lost or the bird was gone."""
    events = ledger.about_band(band)
    # What takes an event back counts for the day of that event, whenever it was written.
    known = [event for event in events if event[4] <= on.isoformat() or event[5]["kind"] in ("void", "retracted")]
    return any(band in (bird.first_band, bird.band) for bird in fold_birds(known).birds)
