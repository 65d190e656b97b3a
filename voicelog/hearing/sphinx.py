"""PocketSphinx as voicelog opens it, with the English model that its wheel carries."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from voicelog.hearing.search import Spoken
from voicelog.values import Frames, VoicelogError

if TYPE_CHECKING:
    from pocketsphinx import Decoder

SCORE_UNIT = 1024
"""FSG search keeps scores shifted right by 10 bits (SENSCR_SHIFT in PocketSphinx); this undoes it."""


def model_folder() -> Path:
    """The English model that the PocketSphinx wheel carries."""
    import pocketsphinx

    folder = Path(pocketsphinx.get_model_path("en-us"))
    if not (folder / "en-us" / "mdef").is_file():
        raise VoicelogError(
            "PocketSphinx is installed without its English model; install the wheel again: "
            "pip install --force-reinstall pocketsphinx"
        )
    return folder


def open_decoder(mllr: Path | None = None, **settings: object) -> Decoder:
    """A decoder with the sound features of voicelog. Raises VoicelogError for a transform that is none."""
    from pocketsphinx import Config, Decoder

    hmm = str(model_folder() / "en-us")
    if mllr is not None:
        settings["mllr"] = str(mllr)
    # Scores are told less the best of what is computed in each frame: computed of all states, for else those of
    # two networks could not be compared.
    settings |= {"lm": None, "loglevel": "FATAL", "cmn": "batch", "bestpath": False, "compallsen": True}
    try:
        decoder = Decoder(Config(hmm=hmm, **settings))
    except RuntimeError as wrong:
        if mllr is None:
            raise
        raise VoicelogError(
            f"{mllr}: PocketSphinx cannot use this transform; make it again: voicelog rehearse"
        ) from wrong
    # The model's own file turns PocketSphinx's noise removal on, over any setting. Behind ours it only harms (trial,
    # pink noise at 15 dB: 38 of 40 calls right without it, 34 with it), and what it remembers of the utterance before
    # would make the score of a sound depend on what was heard earlier.
    decoder.config["remove_noise"] = False
    decoder.reinit_feat()
    return decoder


def decode(decoder: Decoder, sound: bytes) -> list[Spoken]:
    """The path that the decoder found along its own network; what is no word of it is in brackets (`is_word`)."""
    decoder.start_utt()
    decoder.process_raw(sound, full_utt=True)
    decoder.end_utt()
    return [
        # A second pronunciation is written word(2); an arc without a word is written (NULL).
        Spoken(part.word.partition("(")[0], part.start_frame, part.end_frame, _nats(part.ascore))
        for part in decoder.seg() or ()
        if not part.word.startswith("(")
    ]


def _nats(likelihood: float) -> float:
    return math.log(max(likelihood, 1e-300)) * SCORE_UNIT


def as_bytes(frames: Frames) -> bytes:
    """16-bit little-endian samples, as PocketSphinx takes them."""
    return frames.astype("<i2", copy=False).tobytes()
