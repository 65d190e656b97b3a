"""What a voice offers."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

Spoken = npt.NDArray[np.int16]
"""Mono sound at the rate of the voice that made it, shape (samples,), int16, not to be written to."""


class Voice(Protocol):
    """Speaks text. `name` tells a person which voice it is; `rate` in Hz.

    `say` keeps what it said last at hand, for the words of replies are few and
    come again; a kept phrase costs nothing and sounds the same.
    """

    name: str
    rate: int

    def say(self, text: str) -> Spoken: ...


KEPT_PHRASES = 256
"""How many phrases a voice keeps at hand: at a second or two each, some ten megabytes."""
