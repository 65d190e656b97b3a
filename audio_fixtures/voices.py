"""The synthetic voices of the fixtures and how each engine is asked to speak."""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt
import soundfile
import soxr

Samples = npt.NDArray[np.float64]
"""Mono sound, shape (samples,), full scale is 1, at `RATE`."""

RATE = 16_000


class RenderError(Exception):
    """An engine is missing or made nothing; the message says what to install or to look at."""


@dataclass(frozen=True, slots=True)
class Voice:
    """One voice: `name` is its folder in `calls/`, `engine_name` what its engine calls it."""

    name: str
    engine: Literal["flite", "festival", "espeak-ng"]
    engine_name: str
    kind: Literal["natural", "formant"]


VOICES: tuple[Voice, ...] = (
    Voice("flite_slt", "flite", "slt", "natural"),
    Voice("flite_rms", "flite", "rms", "natural"),
    Voice("flite_awb", "flite", "awb", "natural"),
    Voice("flite_kal16", "flite", "kal16", "natural"),
    Voice("festival_slt_hts", "festival", "cmu_us_slt_arctic_hts", "natural"),
    Voice("festival_ked", "festival", "ked_diphone", "natural"),
    Voice("espeak_us", "espeak-ng", "en-us", "formant"),
    Voice("espeak_us_f2", "espeak-ng", "en-us+f2", "formant"),
    Voice("espeak_us_klatt4", "espeak-ng", "en-us+klatt4", "formant"),
)

_ESPEAK_WORDS_A_MINUTE = 160


def voice_named(name: str) -> Voice:
    return next(voice for voice in VOICES if voice.name == name)


def speak(voice: Voice, text: str, pace: float) -> Samples:
    """`text` in this voice at 16 kHz, the engine's silence at both ends cut off.

    `pace` 1 is the voice's own; 1.1 is a tenth faster. Raises RenderError.
    """
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "said.wav"
        command, stdin = _command(voice, text, pace, wav)
        try:
            subprocess.run(command, input=stdin, text=True, check=True, capture_output=True)
        except FileNotFoundError:
            raise RenderError(f"{command[0]} is not installed: see audio_fixtures/README.md") from None
        except subprocess.CalledProcessError as error:
            raise RenderError(f"{command[0]} could not say {text!r}: {error.stderr.strip()}") from None
        sound, rate = soundfile.read(wav, dtype="float64")
    return _without_silent_ends(np.asarray(soxr.resample(sound, rate, RATE, quality="VHQ")))


def _command(voice: Voice, text: str, pace: float, wav: Path) -> tuple[list[str], str | None]:
    """The command line and its standard input that write `text` to `wav`."""
    name, stretch = voice.engine_name, f"{1 / pace:.3f}"
    match voice.engine:
        case "flite":
            how = ["--setf", f"duration_stretch={stretch}"]
            return ["flite", "-voice", name, *how, "-t", text, "-o", str(wav)], None
        case "festival":
            how = ["-eval", f"(voice_{name})", "-eval", f"(Parameter.set 'Duration_Stretch {stretch})"]
            # An HTS voice has durations of its own, which only its engine's parameter -r changes.
            if name.endswith("_hts"):
                how[-1] = f"""(set! hts_engine_params (append hts_engine_params '(("-r" {pace:.3f}))))"""
            return ["text2wave", *how, "-o", str(wav)], text
        case "espeak-ng":
            speed = str(round(_ESPEAK_WORDS_A_MINUTE * pace))
            return ["espeak-ng", "-v", name, "-s", speed, "-w", str(wav), text], None


def _without_silent_ends(sound: Samples) -> Samples:
    """Cut to 60 ms before and after what is within 50 dB of the peak."""
    loud = np.flatnonzero(np.abs(sound) > np.abs(sound).max(initial=0) * 10 ** (-50 / 20))
    if loud.size == 0:
        raise RenderError("an engine rendered silence: say one of its lines by hand to see why")
    margin = round(0.06 * RATE)
    return sound[max(loud[0] - margin, 0) : loud[-1] + margin]
