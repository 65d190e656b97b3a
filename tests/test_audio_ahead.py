"""Cleaning ahead in a process of its own gives what cleaning in turn gives."""

from __future__ import annotations

import os

import numpy as np
import pytest

from voicelog.audio import Clip, make_stage
from voicelog.audio import ahead as module
from voicelog.audio.ahead import LOOK_AHEAD, clean_clips
from voicelog.values import Frames, VoicelogError


def gone(_frames: Frames) -> None:
    os._exit(1)


def clips(count: int) -> list[Clip]:
    draw = np.random.default_rng(5)
    return [Clip(at, at + 0.3, (draw.normal(size=4800) * 900).astype(np.int16), False) for at in range(count)]


def test_the_same_to_the_last_sample_and_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    several = clips(LOOK_AHEAD + 2)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    ahead = list(clean_clips(several, make_stage("deepfilter")))
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    in_turn = list(clean_clips(several, make_stage("deepfilter")))
    assert [clip for clip, _, _ in ahead] == several
    for (_, quiet, _), (_, same, _) in zip(ahead, in_turn, strict=True):
        assert np.array_equal(quiet, same)


def test_it_can_be_left_in_the_middle(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    some = clean_clips(clips(6), make_stage("deepfilter"))
    next(some)
    some.close()


def test_a_process_that_ends_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr(module, "_clean", gone)
    with pytest.raises(VoicelogError, match="try again"):
        list(clean_clips([Clip(0, 1, np.zeros(1, np.int16), False)], make_stage("deepfilter")))
