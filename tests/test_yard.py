"""The yard file: the keeper's own words, and how its mistakes are told."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from voicelog.beginning import Beginning
from voicelog.cli import main
from voicelog.config import Config
from voicelog.grammar import CallSaid, Grammars, load_yard
from voicelog.grammar.toml_places import places
from voicelog.ledger import CallMade, Draft, Ledger, SessionStarted, fold, new_id
from voicelog.places import shipped
from voicelog.session import Purpose, start
from voicelog.sitting import Sitting, record_of
from voicelog.values import Call, Verdict, VoicelogError
from voicelog.wiring import open_grammars, open_sitting

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"


def yard(folder: Path, text: str) -> Path:
    file = folder / "yard.toml"
    file.write_text(text, encoding="utf-8")
    return file


def meant(grammars: Grammars, text: str) -> Call:
    said = grammars.compile("call", range(1, 61)).understand(text.split())
    assert isinstance(said, CallSaid), said
    return said.call


def test_the_example_adds_its_words() -> None:
    example = load_yard(shipped("grammars", "yard-example.toml"))
    grammars = Grammars(shipped("grammars"), example)
    assert meant(grammars, "ring four two layer feed up") == Call(band=42, sex="female", fate="grow out")
    assert meant(grammars, "band four two to pen north run") == Call(band=42, pen="north run")
    assert meant(grammars, "band red four two macho") == Call(band=42, colour="red", sex="male")
    assert meant(grammars, "band four two hen to pen six") == Call(band=42, sex="female", pen="6")
    assert all(grammars.sounds.ways(word) for word in grammars.compile("call").network.words)


def test_decoder_and_parser_see_the_same_words() -> None:
    grammars = Grammars(shipped("grammars"), load_yard(shipped("grammars", "yard-example.toml")))
    call = grammars.compile("call", [42])
    for text in ("band blue forty two henny", "ring four two", "to pen meadow"):
        assert call.network.accepts(text.split()), text
    assert not call.network.accepts(["layer", "hen"])  # sex is said once, in whatever words


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        ('pens = ["meadow"\ncolours = 3', "2:1", "this is not TOML"),
        ("[words.sex\n", "1:", "this is not TOML"),
        ('pens = ["meadow"', "1:17", "this is not TOML"),
        ("[word.sex]\n", "1:2", "“word” is no part of a yard file"),
        ('[words.sx]\nfemale = ["layer"]', "2:11", "there is no slot “sx”"),
        ('[words.sex]\n  hen = ["layer"]', "2:10", "sex has no value “hen”"),
        ('[words.weight]\nnumber = ["x"]', "2:11", "weight has no value “number”"),
        ('[words.sex]\nmale = ["buck"]\nfemale = ["layer", "buck"]', "3:20", "“buck” already means sex male"),
        ('[words.sex]\nmale = [\n  "jack",\n  "hen",\n]', "4:3", "“hen” already means sex female"),
        ('[words.sex]\nmale = ["fine"]', "2:9", "would mean two things"),
        ('[words.sex]\nmale = "buck"', "2:1", "must be a list of words"),
        ('[words.sex]\nmale = ["buck", 3]', "2:17", "“3” is no word"),
        ('pens = ["meadow", "six"]', "1:19", "“six” is or holds a number"),
        ('pens = ["a<b"]', "1:9", "“a<b” is no word"),
        ("words = 3", "1:1", "must be a table"),
        ('[also]\nbnd = ["ring"]', "2:8", "no grammar has the word “bnd”"),
        ('[pronunciations]\nquayle = "K W QQ"', "2:1", "“QQ” is no ARPAbet phone"),
        ("[pronunciations]\nquayle = 3", "2:1", "phones are text"),
        ('[pronunciations]\nquayle = ""', "2:1", "no phones are given"),
    ],
)
def test_a_mistake_is_named_with_its_place(text: str, where: str, what: str, tmp_path: Path) -> None:
    file = yard(tmp_path, text)
    with pytest.raises(VoicelogError) as wrong:
        open_grammars(Config(yard=file))
    assert str(wrong.value).startswith(f"{file}:{where}")
    assert what in str(wrong.value)
    assert "\n" not in str(wrong.value)


def test_a_yard_file_that_is_no_text(tmp_path: Path) -> None:
    file = tmp_path / "yard.toml"
    file.write_bytes(b"pens = []\n\xff")
    with pytest.raises(VoicelogError, match=r"yard\.toml:2:1: is not UTF-8"):
        load_yard(file)
    with pytest.raises(VoicelogError, match="cannot be read"):
        load_yard(tmp_path)


def test_a_pen_that_is_a_number_too_long_to_write_out(tmp_path: Path) -> None:
    file = yard(tmp_path, f'pens = ["meadow", 0x{"f" * 4000}]')
    with pytest.raises(VoicelogError, match=r"yard\.toml:1:19: a long number is no word that can be said; write it"):
        load_yard(file)


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ('yard = "a\\u0000b"', "cannot be read (embedded null byte); name a yard file with --yard"),
        ('grammars = "a\\u0000b"', "no such folder; give a folder of .gram files"),
        ('yard = "~nosuch/y.toml"', "~nosuch/y.toml: there is no home folder ~nosuch; write the whole path"),
        ('yard = "~no\\u0000such/y.toml"', "write the whole path"),
        ('grammars = "~nosuch/g"', "~nosuch/g: there is no home folder ~nosuch; write the whole path"),
    ],
)
def test_a_path_that_can_be_none_is_told(
    setting: str, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = tmp_path / "voicelog.toml"
    settings.write_text(setting, encoding="utf-8")
    monkeypatch.setenv("VOICELOG_CONFIG", str(settings))
    told = CliRunner().invoke(main, ["grammar", "check"])
    assert told.exit_code == 2
    assert message in told.output and told.output.count("\n") == 1


def test_a_mistake_ends_the_command_with_one_line_and_status_2(tmp_path: Path) -> None:
    file = yard(tmp_path, '[words.sx]\nfemale = ["layer"]')
    told = CliRunner().invoke(main, ["type", "--yard", str(file), "--ledger", str(tmp_path / "a.ledger")])
    assert told.exit_code == 2
    assert told.output.startswith(f"voicelog: {file}:2:11: ") and told.output.count("\n") == 1


def test_a_word_without_pronunciation_is_named_with_its_place(tmp_path: Path) -> None:
    file = yard(tmp_path, '[words.sex]\nfemale = ["layer", "xyzzy"]')
    config = Config(yard=file, engine="pocketsphinx")
    with pytest.raises(VoicelogError, match=r"yard\.toml:2:20: no pronunciation is known for “xyzzy”; add it"):
        open_sitting(config, None, Beginning(Purpose(), (42,)), None)
    told = CliRunner().invoke(main, ["grammar", "check", "--roster", "42", "--yard", str(file)])
    assert told.exit_code == 0
    assert "No pronunciation is known for: xyzzy" in told.output


def test_pocketsphinx_listens_for_the_words_of_the_yard(tmp_path: Path) -> None:
    from voicelog.hearing.pocketsphinx_engine import PocketSphinxRecogniser

    # The recording says "band five"; the yard has another word for band, said the same, and another way to say five.
    text = '[also]\nband = ["bandd"]\n[pronunciations]\nbandd = "B AE N D"\nfive = ["F AY B", "F AY V"]'
    grammars = Grammars(shipped("grammars"), load_yard(yard(tmp_path, text)))
    ways = {word: tuple(map(" ".join, phones)) for word, phones in grammars.pronunciations.items()}
    ears = PocketSphinxRecogniser(ways)
    ears.listen_for(grammars.compile("call", [5, 42]).network)
    from voicelog.audio import read_sound

    for frames in read_sound(FIXTURES / "calls/flite_slt/03.flac"):
        ears.feed(frames)
    assert ears.finish().text in ("band five", "bandd five")


def test_a_colour_is_kept_read_back_and_asked_about_when_it_differs(tmp_path: Path) -> None:
    grammars = Grammars(shipped("grammars"), load_yard(shipped("grammars", "yard-example.toml")))
    with Ledger.open(tmp_path / "a.ledger") as book:
        sitting = Sitting(grammars, start([42]), ledger=book)
        taken = sitting.type("band red 42")
        assert taken.outcome.verdict is Verdict.ACCEPT and taken.reply.startswith("four two, red")
        assert record_of(taken.outcome.record) == {**record_of(Call(band=42)), "colour": "red"}  # type: ignore[dict-item]
        asked = sitting.type("band blue 42 hen")
        assert asked.outcome.verdict is Verdict.ASK and "red" in asked.reply and "blue" in asked.reply
        assert book.verify() == []
        assert fold(book.events()).birds[42].known.colour == "red"


def test_a_record_without_a_colour_has_the_keys_it_always_had(tmp_path: Path) -> None:
    slots = ["band", "sex", "foam", "gland", "breast", "weight_g", "condition", "fate", "pen"]
    assert list(record_of(Call(band=42)) or {}) == slots
    assert "colour" not in Call(band=42).model_dump(mode="json")
    with Ledger.open(tmp_path / "a.ledger") as book:
        session = new_id()
        for fact in (SessionStarted(roster=(42,), pen=None), CallMade(call=Call(band=42, sex="male"))):
            book.append(Draft(id=new_id(), session=session, fact=fact))
        assert fold(book.events()).birds[42].known == Call(band=42, sex="male")


@given(st.lists(st.text("abc", min_size=1, max_size=3), min_size=1, max_size=4, unique=True), st.integers(0, 3))
def test_places_of_keys_and_elements(keys: list[str], blank: int) -> None:
    lines = ["# a comment [x] = {"] + [""] * blank
    lines += [f"{key} = [\"a, ]\", 'b']  # = [" for key in keys]
    found = places("\n".join(lines))
    for at, key in enumerate(keys, 2 + blank):
        assert found.of((key,)) == (at, 1)
        assert found.of((key, 0)) == (at, len(key) + 5)
        assert found.of((key, 1)) == (at, len(key) + 13)


def test_places_in_tables_quoted_keys_and_over_lines() -> None:
    found = places('[words.fate]\n"grow out" = [\n  "a",\n  """b\n""",\n  "c"]\nx.y = 1\n[[z]]\nk = {a = 1}\nl = 2')
    assert found.of(("words", "fate", "grow out")) == (2, 1)
    assert found.of(("words", "fate", "grow out", 2)) == (6, 3)
    assert found.of(("words", "fate", "x", "y")) == (7, 3)
    assert found.of(("z", "k", "a")) == (9, 1)
    assert found.of(("z", "l")) == (10, 1)
