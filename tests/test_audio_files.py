"""Reading sound files: real files of many kinds, whole and broken, made here with libsndfile."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from scipy.signal import chirp, resample_poly

from voicelog.audio.files import duration_s, read_sound
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

Curve = npt.NDArray[np.float64]


def tone(pitch_hz: float, length_s: float, rate: int, height: float = 0.5) -> Curve:
    return height * np.sin(2 * np.pi * pitch_hz * np.arange(round(length_s * rate)) / rate)


def encoded(sound: npt.NDArray[Any], rate: int, kind: str, subtype: str | None = None) -> bytes:
    file = io.BytesIO()
    soundfile.write(file, sound, rate, format=kind, subtype=subtype)
    return file.getvalue()


def whole(path: Path) -> Frames:
    return np.concatenate(list(read_sound(path)))


@pytest.mark.parametrize(
    ("kind", "subtype", "rate", "channels"),
    [
        ("WAV", "PCM_16", 8_000, 1),
        ("WAV", "PCM_U8", 11_025, 1),
        ("WAV", "PCM_16", 16_000, 2),
        ("WAV", "PCM_16", 44_100, 2),
        ("WAV", "FLOAT", 48_000, 1),
        ("FLAC", "PCM_24", 96_000, 4),
        ("OGG", "VORBIS", 22_050, 1),
        ("OGG", "OPUS", 48_000, 2),
        ("MP3", None, 44_100, 1),
    ],
)
def test_any_kind_of_file_gives_its_tone_at_16_khz(
    tmp_path: Path, kind: str, subtype: str | None, rate: int, channels: int
) -> None:
    path = tmp_path / "tone"
    sound = np.repeat(tone(440.0, 1.3, rate)[:, None], channels, axis=1)
    path.write_bytes(encoded(sound, rate, kind, subtype))

    frames = whole(path)

    assert frames.dtype == np.int16
    assert abs(len(frames) - 1.3 * SAMPLE_RATE) <= 1
    assert duration_s(path) == pytest.approx(1.3, abs=1 / rate)
    middle = frames[4000:14_000] / 32768  # The tone's ends are no pure tone: leave them out.
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle)), 2**17))
    assert np.argmax(spectrum) * SAMPLE_RATE / 2**17 == pytest.approx(440.0, abs=0.5)
    assert np.sqrt(2 * np.mean(middle**2)) == pytest.approx(0.5, rel=0.06)


def test_16_khz_mono_comes_through_bit_by_bit(tmp_path: Path) -> None:
    sound = np.random.default_rng(1).integers(-32768, 32768, 20_000, dtype=np.int16)
    (tmp_path / "noise.flac").write_bytes(encoded(sound, SAMPLE_RATE, "FLAC"))
    assert np.array_equal(whole(tmp_path / "noise.flac"), sound)


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000])
def test_rate_conversion_agrees_with_scipy(tmp_path: Path, rate: int) -> None:
    """scipy.signal.resample_poly, a polyphase FIR filter of other design, is the outside reference."""
    time = np.arange(2 * rate) / rate
    sound = 0.5 * chirp(time, 100, 2, 3000)
    (tmp_path / "sweep.wav").write_bytes(encoded(sound, rate, "WAV", "FLOAT"))

    frames = whole(tmp_path / "sweep.wav") / 32768

    expected = resample_poly(sound, SAMPLE_RATE, rate)
    assert len(frames) == len(expected)
    inside = slice(800, -800)
    assert np.sqrt(np.mean((frames[inside] - expected[inside]) ** 2)) < 0.002


def test_pitches_above_8_khz_do_not_fold_back(tmp_path: Path) -> None:
    (tmp_path / "high.wav").write_bytes(encoded(tone(11_000, 1.0, 48_000), 48_000, "WAV"))
    assert np.abs(whole(tmp_path / "high.wav")[400:-400]).max() <= 3


def test_channels_are_averaged(tmp_path: Path) -> None:
    one = tone(300, 0.5, SAMPLE_RATE)
    (tmp_path / "opposed.wav").write_bytes(encoded(np.stack([one, -one], axis=1), SAMPLE_RATE, "WAV", "FLOAT"))
    assert not whole(tmp_path / "opposed.wav").any()


@pytest.mark.parametrize("rate", [16_000, 44_100])
def test_sound_over_full_scale_is_clipped_not_wrapped(tmp_path: Path, rate: int) -> None:
    (tmp_path / "loud.wav").write_bytes(encoded(tone(100, 0.5, rate, height=3.0), rate, "WAV", "FLOAT"))
    frames = whole(tmp_path / "loud.wav").astype(int)
    assert frames.max() == 32767
    assert frames.min() == -32768
    # A sample that wrapped would jump across the whole range; the tone itself crosses zero in steps of 3900.
    assert np.abs(np.diff(frames)).max() < 8000


@pytest.mark.parametrize("rate", [16_000, 44_100])
def test_a_long_file_comes_in_small_blocks(tmp_path: Path, rate: int) -> None:
    (tmp_path / "long.wav").write_bytes(encoded(tone(200, 20.0, rate), rate, "WAV"))
    assert max(len(block) for block in read_sound(tmp_path / "long.wav")) <= 0.6 * SAMPLE_RATE


def test_a_sound_of_one_sample_is_read(tmp_path: Path) -> None:
    (tmp_path / "tick.wav").write_bytes(encoded(np.ones(1), 8_000, "WAV"))
    assert 1 <= len(whole(tmp_path / "tick.wav")) <= 3


NOISE = np.random.default_rng(2).integers(-9000, 9000, 5 * 16_000, dtype=np.int16)


def damaged(content: bytes, at: int) -> bytes:
    return content[:at] + bytes([content[at] ^ 0x55]) + content[at + 1 :]


def half(content: bytes) -> bytes:
    return content[: len(content) // 2]


BROKEN = {
    "no_sound.wav": b"these are words, no sound at all, and many enough of them" * 4,
    "empty.flac": b"",
    "no_samples.wav": encoded(NOISE[:0], 16_000, "WAV"),
    "cut_off.flac": half(encoded(NOISE, 16_000, "FLAC")),
    "head_only.flac": encoded(NOISE, 16_000, "FLAC")[:60],
    "damaged.flac": damaged(encoded(NOISE, 16_000, "FLAC"), 70_000),
    "cut_off.wav": half(encoded(NOISE, 16_000, "WAV")),
    "cut_off.mp3": half(encoded(NOISE, 16_000, "MP3")),
    "no_number.wav": encoded(np.array([0.1, np.nan, 0.2]), 16_000, "WAV", "FLOAT"),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_is_told_in_one_line(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(BROKEN[name])
    with pytest.raises(VoicelogError) as told:
        whole(path)
    assert str(path) in str(told.value)
    assert "\n" not in str(told.value)


def test_what_is_before_a_break_is_given_before_it_is_told(tmp_path: Path) -> None:
    path = tmp_path / "damaged.flac"
    path.write_bytes(BROKEN["damaged.flac"])
    given: list[Frames] = []
    with pytest.raises(VoicelogError, match=r"broken \d\.\d s after its start"):
        given.extend(read_sound(path))
    sound = np.concatenate(given)
    assert len(sound) > SAMPLE_RATE
    assert np.array_equal(sound, NOISE[: len(sound)])


@pytest.mark.parametrize("ask", [read_sound, duration_s])
@pytest.mark.parametrize("name", ["absent.wav", ".", "no_sound.wav", "empty.flac", "no_samples.wav"])
def test_what_is_no_sound_file_is_told_before_anything_is_read(tmp_path: Path, name: str, ask: Any) -> None:
    if name in BROKEN:
        (tmp_path / name).write_bytes(BROKEN[name])
    with pytest.raises(VoicelogError) as told:
        ask(tmp_path / name)
    assert str(tmp_path) in str(told.value)


def test_a_wav_streamed_by_a_recorder_that_never_knew_its_length_is_read(tmp_path: Path) -> None:
    content = bytearray(encoded(NOISE, 16_000, "WAV"))
    content[4:8] = content[40:44] = b"\xff\xff\xff\xff"
    (tmp_path / "streamed.wav").write_bytes(content)
    assert np.array_equal(whole(tmp_path / "streamed.wav"), NOISE)
