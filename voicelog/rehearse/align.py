"""Which state of the model each frame of a prompt belongs to, and the features of that frame.

Both come from PocketSphinx itself: it aligns the known words, and it logs the
cepstra that it heard. The features on top of them follow its feat.c (1s_c_d_dd).
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from voicelog.hearing.sphinx import model_folder, open_decoder
from voicelog.rehearse.acoustic import Floats
from voicelog.values import Frames

CEPSTRA = 13
_WINDOW = 3
"""Frames that the features look back and ahead."""


@dataclass(frozen=True, eq=False)
class Aligned:
    """The frames of one utterance.

    `features` has the shape (frames, 3 streams, 13); `senones` and `phones` give
    for every frame the tied state and the name of its base phone.
    """

    features: Floats
    senones: npt.NDArray[np.int64]
    phones: tuple[str, ...]


class Aligner:
    """Aligns one utterance after another with PocketSphinx's own model."""

    def __init__(self) -> None:
        self._log = tempfile.TemporaryDirectory(prefix="voicelog-align-")
        self._decoder = open_decoder(dict=str(model_folder() / "cmudict-en-us.dict"), mfclogdir=self._log.name)

    def __enter__(self) -> Aligner:
        return self

    def __exit__(self, *_: object) -> None:
        self._log.cleanup()

    def align(self, frames: Frames, words: Sequence[str]) -> Aligned | None:
        """None where the words cannot be laid along the sound."""
        sound = frames.astype("<i2", copy=False).tobytes()
        try:
            self._decoder.set_align_text(" ".join(words))
            self._hear(sound)
            self._decoder.set_alignment()  # The second pass goes down to the states.
            self._hear(sound)
            alignment = self._decoder.get_alignment()
        except RuntimeError:
            return None
        if alignment is None:
            return None
        features = features_of(self._cepstra())
        senones = np.full(len(features), -1)
        phones = [""] * len(features)
        for word in alignment:
            for phone in word:
                for state in phone:
                    span = slice(state.start, state.start + state.duration)
                    senones[span] = int(state.name)
                    phones[span] = [phone.name] * len(phones[span])
        kept = senones >= 0
        return Aligned(features[kept], senones[kept], tuple(p for p, keep in zip(phones, kept, strict=True) if keep))

    def _hear(self, sound: bytes) -> None:
        for log in Path(self._log.name).iterdir():
            log.unlink()
        self._decoder.start_utt()
        self._decoder.process_raw(sound, full_utt=True)
        self._decoder.end_utt()

    def _cepstra(self) -> Floats:
        (log,) = Path(self._log.name).glob("*.mfc")
        # A big-endian file: a count of values, then the values.
        return np.frombuffer(log.read_bytes()[4:], ">f4").reshape(-1, CEPSTRA).astype(np.float64)


def features_of(cepstra: Floats) -> Floats:
    """Cepstra, shape (frames, 13), as the three streams of the model, shape (frames, 3, 13)."""
    # The mean is taken over frames with energy only, as in cmn.c.
    c = cepstra - cepstra[cepstra[:, 0] >= 0].mean(axis=0)
    c = np.concatenate([np.repeat(c[:1], _WINDOW, axis=0), c, np.repeat(c[-1:], _WINDOW, axis=0)])

    def at(shift: int) -> Floats:
        return c[_WINDOW + shift : len(c) - _WINDOW + shift]

    return np.stack([at(0), at(2) - at(-2), (at(3) - at(-1)) - (at(1) - at(-3))], axis=1)
