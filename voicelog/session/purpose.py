"""What a session is for: which calls make a bird done, and what is filled in that nobody says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Kind = Literal["check", "tally", "banding", "weighing", "roll call", "moving"]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Purpose:
    """A kind of session in a pen, about a lot where that is known.

    `males_to` is the pen for males, told at the end of a tally; `to` is the pen that birds are moved to.
    """

    kind: Kind = "check"
    pen: str | None = None
    lot: str | None = None
    males_to: str | None = None
    to: str | None = None
