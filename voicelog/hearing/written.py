"""How the second listener is used to see calls written: as `attention.SAID_BEFORE` has them; and back."""

from __future__ import annotations

import re
from collections.abc import Sequence


def as_written(words: Sequence[str]) -> str:
    """A sentence in words, without commas: Band forty two male."""
    text = " ".join(words)
    return text[:1].upper() + text[1:] + "."


def as_judged(words: Sequence[str]) -> str:
    """The sentence, and the first word once more. It writes what it hears over and over, so that word is likely behind
    a whole reading alone, and not where something is left to be written."""
    return f"{as_written(words)} {as_written(words[:1])[:-1]}"


def as_heard(text: str) -> tuple[str, ...]:
    """The words of what it wrote, in small letters, without its signs; numerals stay as they are."""
    return tuple(re.findall(r"[^\W_]+(?:'[^\W_]+)?", text.lower()))
