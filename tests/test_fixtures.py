"""The audio fixtures are whole and are what their lists say. How well they are heard is tested elsewhere."""

from __future__ import annotations

import json
import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

from voicelog.values import Call

FIXTURES = Path(__file__).resolve().parent.parent / "audio_fixtures"
MEGABYTE = 1_000_000
SOUNDS = {".flac", ".wav", ".mp3", ".ogg", ".opus", ".raw"}
SLOTS = ["band", "sex", "foam", "gland", "breast", "weight_g", "condition", "fate", "pen"]

Line = dict[str, Any]


def lines(name: str) -> list[Line]:
    return [json.loads(line) for line in (FIXTURES / name).read_text(encoding="utf-8").splitlines()]


CALLS = lines("calls.jsonl")
SESSION = lines("session.jsonl")
OTHERS = lines("other.jsonl")
YARD = tomllib.loads((FIXTURES / "session.toml").read_text(encoding="utf-8"))
LISTED = [line["file"] for line in CALLS + OTHERS] + ["session.flac", "tally.flac"]


def sound(file: str) -> npt.NDArray[np.float64]:
    samples, _ = soundfile.read(FIXTURES / file, dtype="float64")
    return np.asarray(samples)


def rms_db(samples: npt.NDArray[np.float64]) -> float:
    return float(10 * np.log10(np.square(samples).mean() + 1e-12))


# A reader of the words of its own, so that neither the rendering script nor the parser of voicelog vouches
# for itself. It gives every reading, for a fixture must have one only.

UNITS = ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
DIGITS = {"zero": 0, "oh": 0} | {word: digit for digit, word in enumerate(UNITS, 1)}
TEENS = {
    "ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14,
    "fifteen": 15, "sixteen": 16, "seventeen": 17, "eighteen": 18, "nineteen": 19,
}  # fmt: skip
TENS = {
    "twenty": 20, "thirty": 30, "forty": 40, "fifty": 50,
    "sixty": 60, "seventy": 70, "eighty": 80, "ninety": 90,
}  # fmt: skip
SAID: dict[tuple[str, ...], tuple[str, str]] = {
    **{(word,): ("sex", "male") for word in ("male", "cock", "rooster")},
    **{(word,): ("sex", "female") for word in ("female", "hen")},
    ("unsure",): ("sex", "unsure"),
    **{("foam", word): ("foam", word) for word in ("yes", "no", "trace")},
    **{("gland", word): ("gland", word) for word in ("yes", "no")},
    **{("breast", word): ("breast", word) for word in ("rust", "speckled", "mixed")},
    **{(word,): ("condition", word) for word in ("fine", "injured", "sick", "dead")},
    **{(word,): ("fate", word) for word in ("keep", "sell", "cull")},
    ("grow", "out"): ("fate", "grow out"),
}


def below_hundred(words: Sequence[str]) -> int | None:
    match words:
        case [tens, unit] if tens in TENS and DIGITS.get(unit):
            return TENS[tens] + DIGITS[unit]
        case [word]:
            return TENS.get(word) or TEENS.get(word) or DIGITS.get(word) or None
    return None


def cardinal(words: Sequence[str]) -> int | None:
    match words:
        case [unit, "hundred"] if DIGITS.get(unit):
            return DIGITS[unit] * 100
        case [unit, "hundred", "and", *rest] | [unit, "hundred", *rest] if DIGITS.get(unit):
            units = below_hundred(rest)
            return None if units is None else DIGITS[unit] * 100 + units
    return below_hundred(words)


def number(words: Sequence[str]) -> int | None:
    """The number said digit by digit or as a cardinal; None if the words are no number."""
    if 1 <= len(words) <= 3 and all(word in DIGITS for word in words) and DIGITS[words[0]]:
        return int("".join(str(DIGITS[word]) for word in words))
    return cardinal(words)


def weight(words: Sequence[str]) -> float | None:
    """Grams, to a tenth. International avoirdupois ounce: 28.349523125 g exactly."""
    ounces: Decimal | None = None
    match words:
        case ["weight", *rest]:
            return weight(rest)
        case [*said, "grams"] if (grams := number(said)) is not None:
            return float(grams)
        case [*said, "and", "a", "half", "ounces"] if (whole := below_hundred(said)) is not None:
            ounces = Decimal(whole) + Decimal("0.5")
        case [*said, "point", tenth, "ounces"] if (whole := below_hundred(said)) is not None:
            ounces = Decimal(whole) + Decimal(DIGITS[tenth]) / 10
        case [*said, "ounces"] if (whole := below_hundred(said)) is not None:
            ounces = Decimal(whole)
    if ounces is None:
        return None
    return float((ounces * Decimal("28.349523125")).quantize(Decimal("0.1"), ROUND_HALF_EVEN))


def part(words: tuple[str, ...]) -> tuple[str, Any] | None:
    if words in SAID:
        return SAID[words]
    if words[:2] == ("to", "pen"):
        pen = below_hundred(words[2:])
        return None if pen is None else ("pen", str(pen))
    grams = weight(words)
    return None if grams is None else ("weight_g", grams)


def parts(words: tuple[str, ...]) -> Iterator[Line]:
    """Every way to read words as things said about a bird."""
    if not words:
        yield {}
    for end in range(1, len(words) + 1):
        found = part(words[:end])
        if found:
            for rest in parts(words[end:]):
                if found[0] not in rest:
                    yield {found[0]: found[1]} | rest


def readings(said: str, bands: Sequence[int]) -> list[Line]:
    """Every way to read a call, whole or in part, as the slots that it fills."""
    first, *rest = said.split()
    if first != "band":
        return list(parts((first, *rest)))
    return [
        {"band": band} | slots
        for end in range(1, len(rest) + 1)
        if (band := number(rest[:end])) in bands
        for slots in parts(tuple(rest[end:]))
    ]


def filled(record: Line) -> Line:
    return {slot: value for slot, value in record.items() if value is not None}


def test_every_listed_file_is_flac_16_khz_mono_16_bit() -> None:
    found = {file: soundfile.info(FIXTURES / file) for file in LISTED}
    kinds = {(info.format, info.subtype, info.samplerate, info.channels) for info in found.values()}
    assert kinds == {("FLAC", "PCM_16", 16_000, 1)}


def test_no_file_is_unlisted_and_none_listed_twice() -> None:
    sounds = {path.relative_to(FIXTURES).as_posix() for path in FIXTURES.rglob("*.*") if path.suffix in SOUNDS}
    assert sorted(sounds) == sorted(LISTED)


def test_the_fixtures_stay_small() -> None:
    lists = ["calls.jsonl", "session.jsonl", "tally.jsonl", "other.jsonl", "session.toml"]
    sizes = {file: (FIXTURES / file).stat().st_size for file in [*LISTED, *lists]}
    assert sum(sizes.values()) < 13 * MEGABYTE
    assert sizes["session.flac"] < 6 * MEGABYTE
    assert sizes["tally.flac"] < 1 * MEGABYTE


def test_voices_are_of_different_engines_and_say_equally_many_calls() -> None:
    voices = {(line["voice"], line["engine"], line["kind"]) for line in CALLS}
    assert len([kind for _, _, kind in voices if kind == "natural"]) >= 6
    assert len([kind for _, _, kind in voices if kind == "formant"]) >= 3
    assert {engine for _, engine, _ in voices} == {"flite", "festival", "espeak-ng"}
    assert set(Counter(line["voice"] for line in CALLS).values()) == {20}


def test_natural_voices_say_every_value_of_every_slot() -> None:
    natural = [line for line in CALLS if line["kind"] == "natural"]
    assert {pair for line in natural for pair in filled(line["record"]).items()} >= set(SAID.values())
    spoken = {word for line in natural for word in line["said"].split()}
    assert spoken >= {word for phrase in SAID for word in phrase}
    assert spoken >= {"oh", "zero", "hundred", "weight", "grams", "ounces", "half", "point", "pen"}


def test_every_voice_says_bands_that_sound_alike() -> None:
    teens_and_tens = [(teen, (teen - 10) * 10) for teen in range(13, 20)]
    for voice in {line["voice"] for line in CALLS}:
        bands = {line["record"]["band"] for line in CALLS if line["voice"] == voice}
        assert any(bands.issuperset(pair) for pair in teens_and_tens), voice


def test_every_single_call_has_one_reading_and_it_is_the_record() -> None:
    for line in CALLS:
        assert list(line["record"]) == SLOTS
        assert readings(line["said"], range(1, 300)) == [filled(line["record"])], line["file"]


def test_every_record_is_a_call_as_voicelog_holds_it() -> None:
    records = [line["record"] for line in CALLS + SESSION if line["record"]]
    assert [Call.model_validate(record).model_dump() for record in records] == records


def test_single_calls_are_heard_between_silences_and_do_not_clip() -> None:
    for line in CALLS:
        samples = sound(line["file"])
        edges = np.concatenate([samples[:4000], samples[-4000:]])
        assert np.abs(samples).max() < 0.99, line["file"]
        assert 1 < samples.size / 16_000 < 8, line["file"]
        assert rms_db(samples[4800:-4800]) > -29, line["file"]
        assert -80 < rms_db(edges) < -65, line["file"]


def test_other_sounds_must_leave_no_record() -> None:
    assert {line["what"] for line in OTHERS} == {"cough", "fan", "silence", "bystander"}
    assert all(line["record"] is None for line in OTHERS)
    levels = {line["what"]: rms_db(sound(line["file"])) for line in OTHERS}
    assert levels["silence"] < levels["fan"] < levels["cough"]


def test_session_times_are_in_order_and_inside_the_file() -> None:
    seconds = soundfile.info(FIXTURES / "session.flac").duration
    assert len(SESSION) >= 45
    assert seconds < 300
    assert SESSION[0]["start_s"] > 1
    assert SESSION[-1]["end_s"] < seconds - 1
    assert all(line["start_s"] < line["end_s"] for line in SESSION)
    gaps = [after["start_s"] - before["end_s"] for before, after in pairwise(SESSION)]
    assert min(gaps) > 1.59
    assert max(gaps) < 3


def test_session_has_sound_where_it_says_and_only_the_fan_between() -> None:
    samples = sound("session.flac")
    assert np.abs(samples).max() < 0.99
    at = [(round(line["start_s"] * 16_000), round(line["end_s"] * 16_000)) for line in SESSION]
    assert min(rms_db(samples[start:end]) for start, end in at) > -34
    between = [samples[end:start] for (_, end), (start, _) in pairwise(at)]
    assert all(-56 < rms_db(gap) < -50 for gap in between)


def test_session_verdicts_agree_with_what_is_written() -> None:
    for line in SESSION:
        match line["verdict"]:
            case "accept":
                assert (line["event"] == "call") == (line["record"] is not None), line
            case "ask":
                assert line["event"] is None, line
                assert line["record"] is not None, line
            case _:
                assert line["verdict"] in {"reject", "ignored"}
                assert line["event"] is line["record"] is None, line


def test_session_holds_every_kind_of_turn() -> None:
    said = [line["said"] for line in SESSION]
    assert {
        "how many left", "who is left", "correction", "strike that", "pause listening", "resume listening",
        "yes", "no",
    } <= set(said)  # fmt: skip
    assert said[-1] == "finish session"
    assert Counter(line["verdict"] for line in SESSION) == {"accept": 46, "ask": 2, "reject": 1, "ignored": 2}
    paused = said[said.index("pause listening") + 1 : said.index("resume listening")]
    assert len(paused) == 1


def test_session_records_are_what_was_said_about_the_bird_in_hand() -> None:
    """A fragment has the band of the bird in hand, yes has the record asked about, and the call
    after "correction" keeps what it does not say anew (the dialogue rules of the design)."""
    asked: Line = {}
    last: Line = {}
    for before, line in pairwise([{"said": ""}, *SESSION]):
        if line["record"] is None:
            continue
        assert list(line["record"]) == SLOTS
        if line["said"] == "yes":
            expected = asked
        else:
            (slots,) = readings(line["said"], YARD["roster"])
            kept = last if before["said"] == "correction" else {"band": last.get("band")}
            expected = kept | slots
        assert filled(line["record"]) == expected, line["said"]
        if line["verdict"] == "ask":
            asked = filled(line["record"])
        else:
            last = filled(line["record"])


def test_session_ends_as_the_scenario_says() -> None:
    kept: list[Line] = []
    correcting, superseded, voided = False, 0, 0
    for line in SESSION:
        if line["event"] == "void":
            kept.pop()
            voided += 1
        if line["event"] == "call":
            if correcting:
                kept.pop()
                superseded += 1
            kept.append(filled(line["record"]))
        correcting = line["said"] == "correction"
    birds: dict[int, Line] = {}
    for call in kept:
        birds.setdefault(call["band"], {}).update({slot: value for slot, value in call.items() if slot != "band"})

    final = YARD["final"]
    assert birds == {int(band): slots for band, slots in final["birds"].items()}
    assert (voided, superseded, len(birds)) == (final["voided"], final["superseded"], final["birds_called"])
    assert [band for band in YARD["roster"] if band not in birds] == final["left"]
    assert sum(line["verdict"] == "ask" for line in SESSION) == final["questions"]


def test_session_asks_exactly_where_the_scenario_makes_a_call_risky() -> None:
    sex_before = {bird["band"]: bird["sex"] for bird in YARD["earlier"]}
    least, most = YARD["expected_weight_g"]["low"], YARD["expected_weight_g"]["high"]
    for line in SESSION:
        if line["record"] is None or line["said"] == "yes":
            continue
        record = line["record"]
        contradicts = {sex_before.get(record["band"]), record["sex"]} == {"male", "female"}
        out_of_range = record["weight_g"] is not None and not least <= record["weight_g"] <= most
        leaves = record["fate"] == "cull" and record["sex"] is None
        assert (line["verdict"] == "ask") == (contradicts or out_of_range or leaves), line["said"]


def test_roster_has_no_bands_that_sound_alike() -> None:
    """So that the session asks for no other reason: no two bands differ only in digits that voices
    make alike (one and four, five and nine: the design's trial), nor as fifteen and fifty do."""
    roster = YARD["roster"]
    assert len(roster) == len(set(roster)) == 34
    alike = [{"1", "4"}, {"5", "9"}, {"1", "9"}, {"2", "8"}]
    for a in roster:
        for b in roster:
            different = [{x, y} for x, y in zip(str(a), str(b), strict=True) if x != y]
            assert not (len(different) == 1 and different[0] in alike), (a, b)
            assert not (13 <= a <= 19 and b == (a - 10) * 10), (a, b)
