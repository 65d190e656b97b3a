"""What a noise stage offers, and the stage that leaves the sound as it is."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from voicelog.values import Frames


class NoiseStage(Protocol):
    """Takes noise out of a stream of sound.

    `feed` takes pieces of any length, shape (samples,), int16, 16 kHz mono, and
    returns what is ready, which lags behind: by a tenth of a second, and by up to
    two seconds at the start of a stream. `flush` ends the stream and returns the
    rest. All output together is as long as all input and in step with it:
    sample n of the output belongs to sample n of the input.

    After `flush` or `reset` the stage starts afresh and remembers nothing.
    """

    name: str

    def feed(self, frames: Frames) -> Frames: ...

    def flush(self) -> Frames: ...

    def reset(self) -> None: ...


class NoStage:
    """Leaves the sound as it is."""

    name = "none"

    def feed(self, frames: Frames) -> Frames:
        return frames

    def flush(self) -> Frames:
        return np.zeros(0, np.int16)

    def reset(self) -> None:
        pass
