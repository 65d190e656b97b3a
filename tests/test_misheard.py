"""Words that are heard for others: the file of a vocabulary, and the same tables in a yard file."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from voicelog.cli import main
from voicelog.config import Config
from voicelog.grammar import Grammars, load_misheard, load_yard, sounds_like, taken_for
from voicelog.grammar.alike import alike_pairs
from voicelog.grammar.audit import audit
from voicelog.grammar.misheard import MISHEARD_NAME, TABLES, Misheard
from voicelog.places import shipped
from voicelog.session import start
from voicelog.sitting import Sitting
from voicelog.values import Check, Heard, Verdict, VoicelogError, Word, unchecked
from voicelog.wiring import open_grammars

ENGLISH = Grammars(shipped("grammars"))
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]


def written(folder: Path, text: str, name: str = MISHEARD_NAME) -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def of_yard(folder: Path, text: str) -> Grammars:
    return open_grammars(Config(yard=written(folder, text, "yard.toml")))


def copied(folder: Path, source: Path, *, leave_out: str) -> Path:
    """A vocabulary's files without one of them."""
    into = folder / "grammars"
    into.mkdir()
    for file in source.iterdir():
        if file.is_file() and file.name != leave_out:
            shutil.copy(file, into)
    return into


def doubt(grammars: Grammars, text: str, bands: list[int]) -> str | None:
    return sounds_like(text.split(), grammars.compile("call", bands).network, grammars.sounds)


def always(grammars: Grammars, text: str, bands: list[int]) -> str | None:
    return taken_for(text.split(), grammars.compile("call", bands).network)


# The file's form.


def test_the_english_file_names_what_came_up_in_trials() -> None:
    found = load_misheard(shipped("grammars", MISHEARD_NAME))
    assert found.surely == {("sell", "male"): (("foam", "no"),), ("sell",): (("cull",),)}
    assert found.unsurely == {
        ("eight",): (("weight",), ("oh", "weight")),
        ("weight",): (("eight",),),
        ("oh", "weight"): (("eight",),),
    }
    assert found.breathed == {(ten, "eight"): ((ten,),) for ten in TENS}
    assert ENGLISH.misheard == found


PHRASES = st.lists(st.text("abc", min_size=1, max_size=2), min_size=1, max_size=2).map(tuple)
WRITTEN = st.fixed_dictionaries(
    {table: st.dictionaries(PHRASES, st.lists(PHRASES, max_size=3), max_size=3) for table in TABLES}
)


@given(WRITTEN)
def test_what_is_written_is_read_with_its_places(
    tables: dict[str, dict[tuple[str, ...], list[tuple[str, ...]]]],
) -> None:
    lines: list[str] = []
    expected: dict[str, list[tuple[object, ...]]] = {table: [] for table in TABLES}
    for table, rows in tables.items():
        lines.append(f"[{table}]")
        for heard, others in rows.items():
            kept = [said for said in others if said != heard]
            line, number = f'"{" ".join(heard)}" = [', len(lines) + 1
            for said in kept:
                at = f"{number}:{len(line) + 1}"
                behind = table == "breath"
                expected[table].append(((*said, *heard), said, at, at) if behind else (heard, said, f"{number}:1", at))
                line += f'"{" ".join(said)}", '
            lines.append(line + "]")
    with tempfile.TemporaryDirectory() as folder:
        file = written(Path(folder), "\n".join(lines))
        found = load_misheard(file)
    start = len(f"{file}:")
    for table in TABLES:
        pairs = getattr(found, table)
        assert [(pair.heard, pair.said, pair.heard_at[start:], pair.said_at[start:]) for pair in pairs] == expected[
            table
        ]
    for pair in found.sounds_like:
        assert pair.said in found.unsurely[pair.heard] and pair.heard in found.unsurely[pair.said]
    assert {*found.either_way} == {
        way for pair in found.pairs for way in ((pair.heard, pair.said), (pair.said, pair.heard))
    }


def as_toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {as_toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(as_toml, value)) + "]"
    return json.dumps(value)


TEXTS = st.one_of(st.sampled_from(["sell", "Cull", "foam no", "", "a<b", "4", "a\nb", "xyzzy"]), st.text('ab "#=[\n\\'))
VALUES: st.SearchStrategy[Any] = st.recursive(
    st.one_of(TEXTS, st.booleans(), st.integers(-9, 9)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(TEXTS, inner, max_size=3)),
    max_leaves=6,
)
ANY_TOML = st.dictionaries(st.sampled_from([*TABLES, "pens", "x"]), VALUES, max_size=3).map(
    lambda top: "\n".join(f"{key} = {as_toml(value)}" for key, value in top.items())
)


@given(st.one_of(ANY_TOML, st.text("[]{}=,.\"'#\nab_ 1")))
def test_whatever_stands_in_a_file_it_is_read_or_told_in_one_line_with_its_place(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = written(Path(folder), text)
        for load in (load_misheard, load_yard):
            try:
                load(file)
            except VoicelogError as wrong:
                place, _, message = str(wrong).removeprefix(f"{file}:").partition(": ")
                line, column = map(int, place.split(":"))
                assert 1 <= line <= text.count("\n") + 1 and column >= 1
                assert message and "\n" not in message


WRONG = [
    ("[taken_for]\nsell = [\n", "2:", "this is not TOML"),
    (f"[taken_for]\nsell = {'[' * 9999}", "2:", "this is not TOML"),
    ("[takenfor]\n", "1:2", "“takenfor” is no part of"),
    ("taken_for = 3", "1:1", "taken_for must be a table; write [taken_for]"),
    ('[taken_for]\nsell = "cull"', "2:1", 'sell must be a list of words; write sell = ["one word", "two words"]'),
    ('[sounds_like]\nsell.male = ["foam no"]', "2:1", "sell must be a list of words"),
    ('[taken_for]\nsell = ["cull", 3]', "2:17", "“3” is no word that can be said; write it in letters"),
    ('[taken_for]\n"sell 4" = ["cull"]', "2:1", "“sell 4” is no word that can be said"),
    ('[breath]\n"" = ["fifty"]', "2:1", "“” is no word that can be said"),
    ('[sounds_like]\nsell = ["cull", "Sell"]', "2:17", "“sell” is named beside itself; name other words"),
    ('[taken_for]\nsell = ["cull"]\nsel = ["cull"]', "3:1", "no grammar has the word “sel”; name words that one has"),
    ('[sounds_like]\nsell = [\n  "foam no",\n  "foam nope",\n]', "4:3", "no grammar has the word “nope”"),
    ('[breath]\neight = ["fifty", "fity"]', "2:19", "no grammar has the word “fity”"),
    ('[breath]\nate = ["fifty"]', "2:8", "no grammar has the word “ate”"),
    (f'[taken_for]\nsell = ["cull", 0x{"f" * 4000}]', "2:17", "a long number is no word that can be said; write it"),
    (f'[breath]\nsell = ["cull", 0b1{"0" * 20_000}]', "2:17", "a long number is no word that can be said; write it"),
    (f"[taken_for]\nsell = [[0x{'f' * 4000}]]", "2:9", "a list is no word that can be said; write it"),
    ("[taken_for]\nsell = [{a = 1}]", "2:9", "a table is no word that can be said; write it"),
    ("[taken_for]\nsell = [1979-05-27]", "2:9", "a date or time is no word that can be said; write it"),
    ("[taken_for]\nsell = [true]", "2:9", "“true” is no word that can be said; write it"),
    (f'# {"1" * 6000}\n[taken_for]\nsell = ["cull", -{"9" * 5000}]\n', "3:17", "a number is far too long; mend"),
    (f"[taken_for]\nsell = {'[' * 9999}\nkeep = 3\n", "2:1: ", "lists or tables stand too deep in one another; mend"),
    ("[taken_for]\nsell = 3\nsell = 4\n", "3:9: ", "this is not TOML: Cannot overwrite a value; mend that line"),
]


@pytest.mark.parametrize(("text", "where", "what"), WRONG)
@pytest.mark.parametrize("in_yard", [False, True])
def test_a_mistake_is_named_with_its_place(text: str, where: str, what: str, in_yard: bool, tmp_path: Path) -> None:
    folder = copied(tmp_path, shipped("grammars"), leave_out=MISHEARD_NAME)
    file = written(tmp_path, text, "yard.toml") if in_yard else written(folder, text)
    with pytest.raises(VoicelogError) as wrong:
        open_grammars(Config(grammars=folder, yard=file if in_yard else None))
    assert str(wrong.value).startswith(f"{file}:{where}")
    assert what in str(wrong.value)
    assert "\n" not in str(wrong.value)


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        ('[taken_for]\n"foam male" = ["foam no"]', "2:1", "“foam male” is never said in this order"),
        ('[taken_for]\nsell = ["cull", "foam hen"]', "2:17", "“foam hen” is never said in this order"),
        ('[breath]\nsell = ["foam"]', "2:9", "“foam sell” is never said in this order"),
        ('[breath]\nmale = ["band"]', "2:9", "“band male” is never said in this order"),
        ('[sounds_like]\n"hen hen" = ["sell"]', "2:1", "“hen hen” is never said in this order"),
    ],
)
@pytest.mark.parametrize("in_yard", [False, True])
def test_words_that_never_follow_one_another_are_told(
    text: str, where: str, what: str, in_yard: bool, tmp_path: Path
) -> None:
    folder = copied(tmp_path, shipped("grammars"), leave_out=MISHEARD_NAME)
    file = written(tmp_path, text, "yard.toml") if in_yard else written(folder, text)
    with pytest.raises(VoicelogError) as wrong:
        open_grammars(Config(grammars=folder, yard=file if in_yard else None))
    assert str(wrong.value).startswith(f"{file}:{where}: {what}")


def test_english_grammars_without_a_file_are_not_held_to_the_shipped_one(tmp_path: Path) -> None:
    folder = copied(tmp_path, shipped("grammars"), leave_out=MISHEARD_NAME)
    call = folder / "call.gram"
    text = call.read_text(encoding="utf-8")
    call.write_text(text.replace("no {foam no}", "none {foam no}"), encoding="utf-8")
    less = open_grammars(Config(grammars=folder))
    assert not less.compile("call").network.holds(["foam", "no"])
    assert less.misheard == ENGLISH.misheard


def test_a_mistake_ends_the_command_with_one_line_and_status_2(tmp_path: Path) -> None:
    folder = copied(tmp_path, shipped("grammars"), leave_out=MISHEARD_NAME)
    yard = written(tmp_path, '[taken_for]\nsel = ["cull"]', "yard.toml")
    told = CliRunner().invoke(main, ["grammar", "check", "--yard", str(yard)])
    assert told.exit_code == 2
    assert told.output == f"voicelog: {yard}:2:1: no grammar has the word “sel”; name words that one has\n"
    file = folder / MISHEARD_NAME
    file.write_bytes(b"[taken_for]\n\xff")
    told = CliRunner().invoke(main, ["grammar", "check", "--grammars", str(folder)])
    assert told.exit_code == 2
    assert told.output == f"voicelog: {file}:2:1: is not UTF-8; save the file as UTF-8\n"
    with pytest.raises(VoicelogError, match=r"misheard\.toml: cannot be read .*take it away"):
        load_misheard(tmp_path / MISHEARD_NAME)


# Whose pairs count where.


def test_every_phrase_of_the_english_file_can_be_said() -> None:
    network = ENGLISH.compile("call").network
    assert all(network.holds(words) for pair in ENGLISH.misheard.pairs for words, _ in pair.phrases)
    assert not network.holds(["foam", "male"])


def test_english_grammars_without_a_file_take_the_shipped_pairs_they_have_the_words_for(tmp_path: Path) -> None:
    folder = copied(tmp_path, shipped("grammars"), leave_out=MISHEARD_NAME)
    same = open_grammars(Config(grammars=folder))
    assert same.misheard == ENGLISH.misheard
    assert always(same, "band nine eight male sell", [98]) == "“sell” is what “cull” was taken for"
    call = folder / "call.gram"
    text = call.read_text(encoding="utf-8")
    call.write_text(text.replace(" | cull {fate cull}", ""), encoding="utf-8")
    less = open_grammars(Config(grammars=folder)).misheard
    assert less.surely == {("sell", "male"): (("foam", "no"),)}
    assert less.unsurely == ENGLISH.misheard.unsurely and less.breathed == ENGLISH.misheard.breathed
    assert Grammars(folder).misheard == Misheard()  # the wiring brings them, not the room


def test_a_file_beside_the_grammars_stands_for_the_shipped_one(tmp_path: Path) -> None:
    folder = copied(tmp_path, shipped("grammars"), leave_out=MISHEARD_NAME)
    written(folder, "")
    own = open_grammars(Config(grammars=folder))
    assert own.misheard == Misheard()
    assert always(own, "band nine eight male sell", [98]) is None
    assert doubt(own, "band forty eight", [40, 48]) is None


def test_the_spanish_vocabulary_has_none_and_takes_no_english_ones() -> None:
    assert open_grammars(Config(language="es")).misheard == Misheard()


def test_a_spanish_file_of_pairs_needs_no_code(tmp_path: Path) -> None:
    folder = copied(tmp_path, shipped("grammars", "es"), leave_out=MISHEARD_NAME)
    written(
        folder,
        '[taken_for]\nvender = ["bien"]\n[sounds_like]\nmoteado = ["rojizo"]\n[breath]\n"y ocho" = ["cincuenta"]\n',
    )
    spanish = open_grammars(Config(grammars=folder))
    assert always(spanish, "anilla dos hembra vender", [2]) == "“vender” is what “bien” was taken for"
    assert always(spanish, "anilla dos hembra bien", [2]) is None
    assert doubt(spanish, "anilla dos pecho moteado", [2]) == "“moteado” sounds like “rojizo”"
    assert doubt(spanish, "anilla dos pecho rojizo", [2]) == "“rojizo” sounds like “moteado”"
    heard = "anilla cincuenta y ocho"
    assert doubt(spanish, heard, [50, 58]) == "“cincuenta y ocho” sounds like “cincuenta”"
    assert doubt(spanish, heard, [58]) is None
    told = CliRunner().invoke(main, ["grammar", "check", "--roster", "1-9", "--grammars", str(folder)])
    assert told.exit_code == 0, told.output
    assert "  “vender” where “bien” was said\n" in told.output


MARKET = '[words.fate]\nsell = ["market"]\n'


def test_a_pair_of_the_yard_comes_on_top_of_the_vocabularys(tmp_path: Path) -> None:
    yard = of_yard(tmp_path, MARKET + '[taken_for]\nMarket = ["mixed"]\n"foam yes" = ["sell"]')
    assert yard.misheard == ENGLISH.misheard
    network = yard.compile("call", [98]).network
    assert network.misheard.surely == {
        ("sell", "male"): (("foam", "no"),),
        ("sell",): (("cull",),),
        ("market",): (("mixed",),),
        ("foam", "yes"): (("sell",),),
    }
    assert always(yard, "band nine eight foam yes", [98]) == "“foam yes” is what “sell” was taken for"
    assert always(yard, "band nine eight sell", [98]) == "“sell” is what “cull” was taken for"


class Surely:
    """A recogniser that hears the same words, surely, whatever is said."""

    name = "told"

    def __init__(self, text: str) -> None:
        self._words = tuple(Word(word, 0.0, 1.0, 1.0) for word in text.split())

    def listen_for(self, network: object) -> None:
        pass

    def hear(self, views: object, check: Check = unchecked) -> Heard:
        return Heard(self._words, 1.0, self.name)


def test_a_word_that_the_yard_says_is_heard_for_another_is_asked_about_and_not_written(tmp_path: Path) -> None:
    tone = (8000 * np.sin(np.arange(16_000) * 2 * np.pi * 150 / 16_000)).astype(np.int16)
    for pair, verdict in (("", Verdict.ACCEPT), ('[taken_for]\nmarket = ["keep"]', Verdict.ASK)):
        yard = of_yard(tmp_path, MARKET + pair)
        ears: Any = Surely("band four two market")
        taken = Sitting(yard, start([42]), recogniser=ears).hear(tone)
        assert taken.outcome.verdict is verdict
        assert bool(taken.outcome.facts) is (verdict is Verdict.ACCEPT)
        assert ("“market” is what “keep” was taken for" in taken.outcome.reason) is (verdict is Verdict.ASK)


def test_pairs_follow_words_not_values(tmp_path: Path) -> None:
    yard = of_yard(tmp_path, MARKET + '[taken_for]\nkeep = ["sell"]\n[also]\nkeep = ["stay"]')
    assert always(yard, "band nine eight keep", [98]) == "“keep” is what “sell” was taken for"
    assert always(yard, "band nine eight stay", [98]) is None
    assert always(yard, "band nine eight market", [98]) is None
    assert always(yard, "band nine eight sell", [98]) is not None


def test_a_pair_counts_wherever_the_other_words_mean_something_else(tmp_path: Path) -> None:
    pairs = 'fine = ["five ounces", "keep"]\nhen = ["female", "how many left"]\nthree = ["nine"]'
    yard = of_yard(tmp_path, f"[sounds_like]\n{pairs}\n[taken_for]\nrooster = ['repeat', 'male']")
    assert doubt(yard, "band nine fine", [9]) == "“fine” sounds like “five ounces”"
    assert doubt(yard, "band nine five ounces fine", [9]) == "“fine” sounds like “keep”"
    assert doubt(yard, "hen", [1]) == "“hen” sounds like “how many left”"
    assert doubt(yard, "band one hen", [1]) is None  # "female" means the same, and no session word stands there
    assert doubt(yard, "band three", [3, 9]) == "“three” sounds like “nine”"
    assert doubt(yard, "band three", [3]) is None
    assert doubt(yard, "one hundred three grams", [3, 9]) is None  # a weight is read back
    assert always(yard, "rooster", [1]) == "“rooster” is what “repeat” was taken for"
    assert always(yard, "band one rooster", [1]) is None


def test_bands_that_a_file_pairs_are_listed_as_asked_about(tmp_path: Path) -> None:
    yard = of_yard(tmp_path, '[sounds_like]\nsix = ["two"]')
    (pair,) = alike_pairs(yard, [2, 6])
    assert pair.bands == (2, 6) and pair.asked and pair.pieces == (("two",), ("six",))
    assert alike_pairs(ENGLISH, [2, 6]) == ()
    assert audit(ENGLISH, [6]).free_bands == (1, 2, 3, 4, 5)
    assert audit(yard, [6]).free_bands == (1, 3, 4, 5, 7)


@pytest.mark.parametrize(
    ("pair", "bands", "call"),
    [
        ('[sounds_like]\n"one three" = ["two one"]', (13, 21), "band one three"),
        ('[sounds_like]\n"forty two" = ["fifty one"]', (42, 51), "band fifty one"),
        ('[taken_for]\n"forty two" = ["fifty one"]', (42, 51), "band forty two"),
        ('[breath]\n"and five" = ["one hundred"]', (100, 105), "band one hundred and five"),
    ],
)
def test_bands_that_a_file_pairs_in_several_words_are_listed_as_asked_about(
    pair: str, bands: tuple[int, int], call: str, tmp_path: Path
) -> None:
    yard = of_yard(tmp_path, pair)
    assert doubt(yard, call, [*bands]) or always(yard, call, [*bands])
    assert [(found.bands, found.asked) for found in alike_pairs(yard, bands)] == [(bands, True)]
    assert alike_pairs(ENGLISH, bands) == ()
    assert bands[1] in audit(ENGLISH, range(1, bands[1])).free_bands
    assert bands[1] not in audit(yard, range(1, bands[1])).free_bands


def test_spanish_bands_that_a_file_pairs_in_several_words_are_listed_as_asked_about(tmp_path: Path) -> None:
    folder = copied(tmp_path, shipped("grammars", "es"), leave_out=MISHEARD_NAME)
    written(folder, '[breath]\n"y ocho" = ["cincuenta"]\n')
    (pair,) = alike_pairs(open_grammars(Config(grammars=folder)), [50, 58])
    assert pair.bands == (50, 58) and pair.asked
    assert pair.pieces == (("cincuenta",), ("cincuenta", "y", "ocho"))


def test_grammar_check_lists_the_pairs_of_the_yard(tmp_path: Path) -> None:
    text = MARKET + '[taken_for]\nmarket = ["mixed"]\n[sounds_like]\nkeep = ["sick"]\n[breath]\nnine = ["twenty"]'
    yard = written(tmp_path, text, "yard.toml")
    given_options = ["grammar", "check", "--roster", "15,50", "--yard", str(yard)]
    told = CliRunner().invoke(main, given_options)
    assert told.exit_code == 0, told.output
    assert (
        "\nHeard in trials for something else, so always asked about; to be spared that, use other words:\n"
        "  “sell male” where “foam no” was said, unless its s is heard in the sound itself\n"
        "  “sell” where “cull” was said, unless its s is heard in the sound itself\n"
        "\nAlways asked about, as the yard file says:\n"
        "  “market” where “mixed” was said\n"
        "\nAsked about where not heard surely, as the yard file says:\n"
        "  “keep” sounds like “sick”\n"
        "  “twenty nine” sounds like “twenty”\n"
        "\nBands 15,50 that sound alike:\n"
    ) in told.output
    read = json.loads(CliRunner().invoke(main, [*given_options, "--json"]).output)
    assert read["taken_for"] == [[["sell", "male"], ["foam", "no"]], [["sell"], ["cull"]]]
    assert read["yard_taken_for"] == [[["market"], ["mixed"]]]
    assert read["yard_sounds_like"] == [[["keep"], ["sick"]], [["twenty", "nine"], ["twenty"]]]


def test_pairs_that_mean_the_same_are_not_said_to_be_asked_about(tmp_path: Path) -> None:
    pairs = '[taken_for]\nhen = ["female"]\nkeep = ["sick"]\n[sounds_like]\ncock = ["male"]\ngrams = ["ounces"]\n'
    yard = written(tmp_path, pairs + 'rooster = ["hen"]', "yard.toml")
    told = CliRunner().invoke(main, ["grammar", "check", "--roster", "15,50", "--yard", str(yard)])
    assert (
        "\nAlways asked about, as the yard file says:\n"
        "  “keep” where “sick” was said\n"
        "\nAsked about where not heard surely, as the yard file says:\n"
        "  “rooster” sounds like “hen”\n"
        "\nNamed in a file but never asked about, for they mean the same, or another weight only:\n"
        "  “hen” and “female”\n"
        "  “cock” and “male”\n"
        "  “grams” and “ounces”\n"
    ) in told.output
    folder = copied(tmp_path, shipped("grammars"), leave_out=MISHEARD_NAME)
    written(folder, '[taken_for]\nhen = ["female"]\nsell = ["cull"]')
    found = audit(open_grammars(Config(grammars=folder)), [15])
    assert found.taken_for == ((("sell",), ("cull",)),)
    assert found.never_asked == ((("hen",), ("female",)),)
    assert audit(ENGLISH, [15]).never_asked == ()


def test_without_a_yard_grammar_check_says_what_it_always_said() -> None:
    told = CliRunner().invoke(main, ["grammar", "check", "--roster", "15,50"])
    assert (
        "\nHeard in trials for something else, so always asked about; to be spared that, use other words:\n"
        "  “sell male” where “foam no” was said, unless its s is heard in the sound itself\n"
        "  “sell” where “cull” was said, unless its s is heard in the sound itself\n"
        "\nBands 15,50 that sound alike:\n"
    ) in told.output
    assert "yard file says" not in told.output


def test_the_commented_pair_of_the_example_is_one(tmp_path: Path) -> None:
    text = shipped("grammars", "yard-example.toml").read_text(encoding="utf-8")
    uncommented = text.replace("# [taken_for]\n# ", "[taken_for]\n")
    assert uncommented != text
    yard = of_yard(tmp_path, uncommented)
    assert always(yard, "band nine eight hembra", [98]) == "“hembra” is what “unsure” was taken for"
