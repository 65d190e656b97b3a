"""How the second listener is used to see calls written: as `attention.SAID_BEFORE` has them."""

from __future__ import annotations

from collections.abc import Sequence


def as_written(words: Sequence[str]) -> str:
    """A sentence in words, without commas: Band forty two male."""
    text = " ".join(words)
    return text[:1].upper() + text[1:] + "."
