"""What every recogniser offers, so that the rest of voicelog need not know which one hears."""

from __future__ import annotations

from typing import Protocol

from voicelog.grammar.network import Network
from voicelog.values import Frames, Heard


class Recogniser(Protocol):
    """Hears one utterance at a time, limited to the words of a network.

    `listen_for` says what may be said from the next utterance on. `feed` takes
    pieces of one utterance, shape (samples,), int16, 16 kHz mono, of any
    length. `finish` closes the utterance and returns what was heard; the
    recogniser is then ready for the next. `reset` drops a half fed utterance.
    `glance` gives the words of one whole utterance and nothing else: a second
    look at the same sound, as cheap as the engine can make it.
    """

    name: str

    def listen_for(self, network: Network) -> None: ...

    def feed(self, frames: Frames) -> None: ...

    def finish(self) -> Heard: ...

    def reset(self) -> None: ...

    def glance(self, frames: Frames) -> tuple[str, ...]: ...
