"""What is known of each bird before a session begins."""

from __future__ import annotations

from datetime import datetime

from voicelog.ledger import Book
from voicelog.values import Sex


def earlier_calls(book: Book, now: datetime) -> dict[int, tuple[Sex, str]]:
    """By band: the sex called last, and when, as it is spoken ("on 3 May"). `now` is aware."""
    found: dict[int, tuple[Sex, str]] = {}
    for band, bird in book.birds.items():
        sex, at = bird.known.sex, bird.sexed_at
        if sex is not None and at is not None:
            local = at.astimezone(now.tzinfo)
            same_day = local.date() == now.date()
            found[band] = (sex, "earlier today" if same_day else f"on {local.day} {local:%B}")
    return found
