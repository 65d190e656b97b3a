"""What every recogniser offers, so that the rest of voicelog need not know which one hears."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from voicelog.grammar.network import Network
from voicelog.values import Check, Frames, Heard, unchecked


class Recogniser(Protocol):
    """Hears one utterance at a time, limited to the words of a network.

    `listen_for` says what may be said from the next utterance on. `feed` takes
    pieces of one utterance, shape (samples,), int16, 16 kHz mono, of any
    length. `finish` closes the utterance and returns what was heard; the
    recogniser is then ready for the next. `reset` drops a half fed utterance.
    `hear` takes a whole utterance at once, in one view or in several of the same
    sound and length (`audio/views.py`), the most trusted first; an engine may use the first alone.
    It calls `check` now and then, a tenth of a second of work apart at the most where it can; where that raises, the
    utterance is dropped, and the recogniser is ready for the next.
    """

    name: str

    def listen_for(self, network: Network) -> None: ...

    def feed(self, frames: Frames) -> None: ...

    def finish(self) -> Heard: ...

    def reset(self) -> None: ...

    def hear(self, views: Sequence[Frames], check: Check = unchecked) -> Heard: ...
