"""Sound to phones without any grammar: what the model alone takes each sound for."""

from __future__ import annotations

from voicelog.hearing.pocketsphinx_engine import _as_bytes, _decode, _phone_loop
from voicelog.values import Frames


def free_phones(frames: Frames) -> tuple[str, ...]:
    """The phones of one utterance by PocketSphinx's free phone loop, silence and noise left out.

    `frames`: shape (samples,), int16, 16 kHz mono.
    """
    return tuple(
        piece.word for piece in _decode(_phone_loop(), _as_bytes(frames)) if piece.is_word and piece.word != "SIL"
    )
