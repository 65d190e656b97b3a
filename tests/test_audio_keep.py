"""Keeping the sound of an utterance: whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from voicelog.audio.files import read_sound
from voicelog.audio.keep import keep_sound
from voicelog.values import VoicelogError

SOUND = np.random.default_rng(3).integers(-3000, 3000, 12_345, dtype=np.int16)


def test_kept_sound_comes_back_bit_by_bit(tmp_path: Path) -> None:
    keep_sound(tmp_path / "day" / "one.flac", SOUND)
    assert np.array_equal(np.concatenate(list(read_sound(tmp_path / "day" / "one.flac"))), SOUND)
    assert [file.name for file in (tmp_path / "day").iterdir()] == ["one.flac"]


def test_a_failure_before_the_last_step_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "one.flac"
    keep_sound(path, SOUND)

    def full_disk(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(VoicelogError, match="No space left"):
        keep_sound(path, SOUND[:100])
    assert np.array_equal(np.concatenate(list(read_sound(path))), SOUND)
    assert list(tmp_path.iterdir()) == [path]


def test_content_is_on_disk_before_it_takes_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps: list[str] = []
    sync, replace = os.fsync, Path.replace

    def watched_sync(handle: int) -> None:
        steps.append("sync file" if os.fstat(handle).st_mode & 0o100000 else "sync folder")
        sync(handle)

    def watched_replace(self: Path, target: Path) -> Path:
        steps.append("rename")
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", watched_sync)
    monkeypatch.setattr(Path, "replace", watched_replace)
    keep_sound(tmp_path / "one.flac", SOUND)
    assert steps == ["sync file", "rename", "sync folder"]


def test_a_place_that_is_no_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(VoicelogError, match="cannot be kept"):
        keep_sound(tmp_path / "file" / "one.flac", SOUND)
