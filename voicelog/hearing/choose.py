"""Which recogniser hears, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from voicelog.hearing.models import FoundModel, find_vosk_model
from voicelog.hearing.protocol import Recogniser
from voicelog.values import VoicelogError


@dataclass(frozen=True, slots=True)
class Choice:
    """The engine's name, its model's folder, and in plain words why it was chosen."""

    engine: str
    model: Path
    reason: str


def choose(engine: str = "auto", given: Path | None = None, config: Path | None = None) -> Choice:
    """Vosk where an English model is there, else PocketSphinx; `engine` may demand one of them.

    `given` is the folder of --model. Raises VoicelogError where the one demanded cannot be had.
    """
    from voicelog.hearing.sphinx import model_folder

    found: FoundModel | None = None if engine == "pocketsphinx" else find_vosk_model(given, config)
    if found is not None:
        return Choice("vosk", found.path, found.reason)
    if engine == "vosk":
        raise VoicelogError(
            "no Vosk model is here; get one with: voicelog engine install vosk, or name its folder with --model"
        )
    reason = "demanded" if engine == "pocketsphinx" else "no Vosk model is here; its own model is in its wheel"
    return Choice("pocketsphinx", model_folder(), reason)


def open_recogniser(
    choice: Choice,
    pronunciations: Mapping[str, Sequence[str]] | None = None,
    mllr: Path | None = None,
    *,
    second: bool = False,
) -> Recogniser:
    """Load the chosen engine and its model.

    For PocketSphinx, `pronunciations` are ARPAbet by word, `mllr` is a transform that fits it to a voice,
    and with `second` the second listener, English, hears too, where its model is installed.
    Raises VoicelogError where the model or the transform is broken.
    """
    if choice.engine == "vosk":
        from voicelog.hearing.vosk_engine import VoskRecogniser

        return VoskRecogniser(choice.model)
    from voicelog.hearing.attention import attention_listener
    from voicelog.hearing.pocketsphinx_engine import PocketSphinxRecogniser

    return PocketSphinxRecogniser(pronunciations, mllr, attention_listener() if second else None)
