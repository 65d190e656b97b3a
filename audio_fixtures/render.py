"""Render the audio fixtures anew: python audio_fixtures/render.py

Needs the Debian packages named in README.md beside this file. The same seed gives the same
sound, sample for sample.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import zlib
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
from phrasing import SaidCall, calls
from scenario import BYSTANDER, COUGH, SESSION
from sound import SPEECH_DBFS, at_speech_level, cough, fan, hush, write_flac
from tally import TALLY_VOICE, tally_counts, tally_words
from voices import RATE, VOICES, RenderError, Samples, Voice, speak, voice_named

HERE = Path(__file__).resolve().parent
PAD = round(0.3 * RATE)
"""Samples of near silence before and after a single call."""

FAN_DBFS = SPEECH_DBFS - 30.0
TALLY_DBFS = SPEECH_DBFS - 16.0
"""Words of the tally are said low, as to oneself; the file stays small."""

QUIET_FAN_DBFS = TALLY_DBFS - 40.0
"""The fan of the tally, farther off."""

FARTHER_DB = 5.0
"""How much quieter a bystander is, who stands farther off."""


def generator(seed: int, name: str) -> np.random.Generator:
    """A generator of its own for each file and line, so that none depends on the ones before."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def say(voice: Voice, text: str, rng: np.random.Generator, dbfs: float = SPEECH_DBFS) -> Samples:
    """`text` at a pace and a level a little different each time."""
    pace, off_db = rng.uniform(0.94, 1.12), rng.uniform(-2, 2)
    return at_speech_level(speak(voice, text, pace), dbfs + off_db)


def padded(sound: Samples, rng: np.random.Generator) -> Samples:
    whole = np.pad(sound, PAD)
    return whole + hush(whole.size, rng)


def write_lines(path: Path, lines: Iterable[Mapping[str, object]]) -> None:
    path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")


def spoken(call: SaidCall, rng: np.random.Generator) -> str:
    """The call as the engine gets it: one in four has a short pause after the band."""
    pause = "," if call.parts and rng.random() < 0.25 else ""
    return call.band_words + pause + call.said.removeprefix(call.band_words)


def render_calls(out: Path, seed: int) -> None:
    lines = []
    for number, voice in enumerate(VOICES):
        print(f"calls of {voice.name}", flush=True)
        for i, call in enumerate(calls(number, generator(seed, f"calls {voice.name}")), start=1):
            file = f"calls/{voice.name}/{i:02}.flac"
            rng = generator(seed, file)
            write_flac(out / file, padded(say(voice, spoken(call, rng), rng), rng))
            lines.append(
                {
                    "file": file, "voice": voice.name, "engine": voice.engine, "kind": voice.kind,
                    "said": call.said, "record": call.record,
                }
            )  # fmt: skip
    write_lines(out / "calls.jsonl", lines)


def render_session(out: Path, seed: int) -> None:
    print("session", flush=True)
    rng = generator(seed, "session")
    lines, pieces = [], [np.zeros(round(1.5 * RATE))]
    at = pieces[0].size
    for line in SESSION:
        if line.voice == COUGH:
            sound = cough(rng, SPEECH_DBFS)
        else:
            farther = FARTHER_DB if line.voice == BYSTANDER else 0.0
            sound = say(voice_named(line.voice), line.said, rng, SPEECH_DBFS - farther)
        gap = np.zeros(round(rng.uniform(1.6, 2.7) * RATE))
        lines.append(
            {
                "start_s": round(at / RATE, 3), "end_s": round((at + sound.size) / RATE, 3),
                "voice": line.voice, "said": line.said, "verdict": line.verdict,
                "record": line.record, "event": line.event,
            }
        )  # fmt: skip
        pieces += [sound, gap]
        at += sound.size + gap.size
    speech = np.concatenate(pieces)
    write_flac(out / "session.flac", speech + fan(speech.size, rng, FAN_DBFS))
    write_lines(out / "session.jsonl", lines)


def render_tally(out: Path, seed: int) -> None:
    """One word a bird, over a quiet fan."""
    print("tally", flush=True)
    rng = generator(seed, "tally")
    said = tally_words(rng)
    voice = voice_named(TALLY_VOICE)
    pieces = [np.zeros(RATE)]
    for words in said:
        pieces += [say(voice, words, rng, TALLY_DBFS), np.zeros(round(rng.uniform(0.72, 0.85) * RATE))]
    speech = np.concatenate(pieces)
    write_flac(out / "tally.flac", speech + fan(speech.size, rng, QUIET_FAN_DBFS))
    write_lines(out / "tally.jsonl", [{"said": said, "voice": voice.name, "counts": tally_counts(said)}])


def render_others(out: Path, seed: int) -> None:
    """Sounds that are no call at all."""
    print("noise", flush=True)
    talk = "could you shut that gate before the dog gets in please"
    rng = generator(seed, "noise")
    sounds = [
        ("cough", "", padded(cough(rng, SPEECH_DBFS), rng)),
        ("fan", "", fan(3 * RATE, rng, FAN_DBFS)),
        ("silence", "", hush(2 * RATE, rng)),
        ("bystander", talk, padded(say(voice_named(BYSTANDER), talk, rng), rng)),
    ]
    lines = []
    for name, said, sound in sounds:
        file = f"noise/{name}.flac"
        write_flac(out / file, sound)
        lines.append({"file": file, "what": name, "said": said, "record": None})
    write_lines(out / "other.jsonl", lines)


def main() -> int:
    parser = argparse.ArgumentParser(description="Render the audio fixtures anew.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to render into (default: this one)")
    parser.add_argument("--seed", type=int, default=20, help="seed of every variation (default: %(default)s)")
    options = parser.parse_args()
    for folder in ("calls", "noise"):
        shutil.rmtree(options.out / folder, ignore_errors=True)
    try:
        render_calls(options.out, options.seed)
        render_session(options.out, options.seed)
        render_tally(options.out, options.seed)
        render_others(options.out, options.seed)
    except RenderError as error:
        print(f"render: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
