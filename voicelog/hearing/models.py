"""Finding a Vosk model on this machine, and saying in plain words what is wrong with a broken one."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platformdirs import user_cache_path, user_data_path

from voicelog.values import VoicelogError, expanded

MODEL_VARIABLE = "VOICELOG_VOSK_MODEL"
SMALL_ENGLISH = "vosk-model-small-en-us-0.15"
"""The model that `voicelog engine install vosk` fetches, and the first choice among those found."""

_ENGLISH = re.compile(r"vosk-model(-small)?-en(-|$)")
_GET_ANOTHER = "get a whole one with: voicelog engine install vosk"

# What the library opens (its src/model.cc), in the newer layout and in the older flat one.
_NEWER = ("am/final.mdl", "conf/model.conf", "conf/mfcc.conf")
_OLDER = ("final.mdl", "mfcc.conf")
_GRAPH = ("HCLr.fst", "Gr.fst", "disambig_tid.int")
_SPEAKER = tuple(
    f"ivector/{name}"
    for name in (
        "final.ie",
        "final.dubm",
        "final.mat",
        "global_cmvn.stats",
        "online_cmvn.conf",
        "splice.conf",
    )
)

# Run in a process of its own: opens the model and decodes half a second of silence with a grammar.
_TRIAL = """
import sys, vosk
vosk.SetLogLevel(-1)
recogniser = vosk.KaldiRecognizer(vosk.Model(sys.argv[1]), 16000, '["[unk]"]')
recogniser.AcceptWaveform(bytes(16000))
recogniser.FinalResult()
"""


@dataclass(frozen=True, slots=True)
class FoundModel:
    """A model folder and, in plain words, why it is the one."""

    path: Path
    reason: str


def load_vosk() -> Any:
    """The vosk library, its chatter turned off. Raises VoicelogError where it does not load."""
    try:
        import vosk
    except (
        ImportError,
        OSError,
        TypeError,
    ) as error:  # TypeError: vosk's answer to a platform it does not know
        raise VoicelogError(f"the vosk library does not load ({error}); install it: pip install vosk") from error
    vosk.SetLogLevel(-1)
    return vosk


def models_folder() -> Path:
    """Where voicelog keeps the models that it installs."""
    return user_data_path("voicelog", appauthor=False) / "models"


def is_english(name: str) -> bool:
    """Whether a model's folder name says English, as the vosk library itself goes by the name."""
    return _ENGLISH.match(name) is not None


def find_vosk_model(given: Path | None, config: Path | None) -> FoundModel | None:
    """The model to use, or None where there is none.

    A model that was named (`given` by --model, by the environment, by the
    `config` file, in this order) must be whole, else VoicelogError says what
    it lacks. Otherwise the first whole English model in the usual folders.
    """
    variable = os.environ.get(MODEL_VARIABLE)
    named = (
        (given, "given with --model"),
        (Path(variable) if variable else None, f"named by {MODEL_VARIABLE}"),
        (config, "named in the config file"),
    )
    for path, reason in named:
        if path is not None:
            try:
                folder = expanded(path)
                check_model(folder)
            except VoicelogError as error:
                raise VoicelogError(f"the model {reason} is not usable: {error}") from error
            return FoundModel(folder, reason)
    for path in _english_models():
        if not what_is_wrong(path):
            return FoundModel(path, f"an English model found in {path.parent}")
    return None


def passed_over() -> tuple[str, ...]:
    """What is wrong with each English model in the usual folders that `find_vosk_model` cannot choose."""
    return tuple(wrong for path in _english_models() if (wrong := what_is_wrong(path)))


def check_model(path: Path) -> None:
    """Raises VoicelogError that names what is missing where `path` is no whole model for a grammar."""
    wrong = what_is_wrong(path)
    if wrong:
        raise VoicelogError(wrong)


def what_is_wrong(path: Path) -> str | None:
    """One line on why `path` cannot be used, None where every file is there.

    Looks at the names and at whether the files are empty; `try_model` is the proof.
    """
    if not path.is_dir():
        return f"{path}: no such folder; give the folder of a Vosk model, or {_GET_ANOTHER}"
    newer = (path / _NEWER[0]).is_file()
    if not newer and not (path / _OLDER[0]).is_file():
        deeper = next(iter(sorted(path.glob(f"*/{_NEWER[0]}"))), None)
        if deeper:
            return f"{path}: the model is one folder further down; give {deeper.parent.parent}"
        return f"{path}: no Vosk model: {_NEWER[0]} is missing; {_GET_ANOTHER}"
    graph = "graph/" if newer else ""
    if (path / f"{graph}HCLG.fst").is_file():
        return (
            f"{path}: its vocabulary is fixed ({graph}HCLG.fst) and cannot be limited to a grammar; "
            "use a model with HCLr.fst and Gr.fst: a small one, or one named lgraph"
        )
    wanted = [*(_NEWER if newer else _OLDER), *(graph + name for name in _GRAPH)]
    if (path / "ivector").is_dir():
        wanted += _SPEAKER
    for name in wanted:
        if not (path / name).is_file() or not (path / name).stat().st_size:
            state = "empty" if (path / name).is_file() else "missing"
            return f"{path}: the model is not whole: {name} is {state}; {_GET_ANOTHER}"
    return None


def try_model(path: Path) -> None:
    """Proves in a process of its own that Vosk can use the model; raises VoicelogError where it cannot.

    On some damage the library ends the whole process (vosk 0.3.45: a cut HCLr.fst
    is a segmentation fault, a cut splice.conf an abort), which no `except` catches.
    A model that has proved good is remembered until a file of it changes, since
    the trial takes as long as loading it: 1 to 3 s.
    """
    check_model(path)
    memory = user_cache_path("voicelog", appauthor=False) / "vosk-models-tried.json"
    try:
        known = dict(json.loads(memory.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        known = {}
    here, marks = str(path.resolve()), _marks(path)
    if known.get(here) == marks:
        return
    trial = subprocess.run(
        [sys.executable, "-c", _TRIAL, str(path)],
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    if trial.returncode != 0:
        said = [line for line in trial.stderr.splitlines() if line.strip()]
        why = said[-1].strip() if said and trial.returncode > 0 else "it crashes"
        raise VoicelogError(f"{path}: Vosk cannot use this model ({why}); {_GET_ANOTHER}")
    with suppress(OSError):  # Where it cannot be remembered, the next start tries the model again.
        memory.parent.mkdir(parents=True, exist_ok=True)
        memory.write_text(json.dumps({**known, here: marks}), encoding="utf-8")


def _marks(path: Path) -> list[list[object]]:
    """Name, size and time of every file: changes where the model does. Lists, as JSON gives back."""
    files = sorted(p for p in path.rglob("*") if p.is_file())
    return [[p.relative_to(path).as_posix(), (s := p.stat()).st_size, s.st_mtime_ns] for p in files]


def _usual_folders() -> list[Path]:
    """Where models are kept: voicelog's own folder first, then those that the vosk library knows."""
    folders: list[str | Path | None] = [
        models_folder(),
        os.environ.get("VOSK_MODEL_PATH"),
        Path.home() / ".cache" / "vosk",
    ]
    # Without the library its folders are of no use; whoever opens a model says that it is missing.
    with suppress(VoicelogError):
        folders += load_vosk().MODEL_DIRS
    return list(dict.fromkeys(Path(folder) for folder in folders if folder))


def _english_models() -> list[Path]:
    """English models in the usual folders, by folder; in each the small ones first, as they start fastest."""

    def rank(path: Path) -> tuple[bool, bool, str]:
        return path.name != SMALL_ENGLISH, "-small-" not in path.name, path.name

    found: list[Path] = []
    for folder in _usual_folders():
        try:
            inside = [p for p in folder.iterdir() if is_english(p.name) and p.is_dir()]
        except OSError:
            continue  # Not there, or not ours to read.
        found += sorted(inside, key=rank)
    return found
