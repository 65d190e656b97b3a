"""Sound to phones without any grammar: what the model alone takes each sound for."""

from __future__ import annotations

from functools import cache

from pocketsphinx import Decoder

from voicelog.hearing.sphinx import as_bytes, decode, model_folder, open_decoder
from voicelog.values import Frames


def free_phones(frames: Frames) -> tuple[str, ...]:
    """The phones of one utterance by PocketSphinx's free phone loop, silence and noise left out.

    `frames`: shape (samples,), int16, 16 kHz mono.
    """
    return tuple(
        piece.word for piece in decode(_phone_loop(), as_bytes(frames)) if piece.is_word and piece.word != "SIL"
    )


@cache
def _phone_loop() -> Decoder:
    # One for the process: it depends on nothing but the model.
    return open_decoder(allphone=str(model_folder() / "en-us-phone.lm.bin"), dict=None)
