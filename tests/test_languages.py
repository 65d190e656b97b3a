"""Numbers in words against num2words, in English and in the Spanish vocabulary that is files only."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from flock_help import Keeper
from num2words import num2words

from voicelog.cli import main
from voicelog.config import Config
from voicelog.grammar import Answer, CallSaid, Command, Grammars, NotUnderstood, read_typed
from voicelog.grammar.audit import audit
from voicelog.places import shipped
from voicelog.values import GRAMS_PER_OUNCE, Call
from voicelog.wiring import open_grammars

ENGLISH = Grammars(shipped("grammars"))
SPANISH = open_grammars(Config(language="es"))
BANDS = range(1, 300)
ES = SPANISH.compile("call", BANDS)


def meant(text: str) -> Call:
    said = ES.understand(text.split())
    assert isinstance(said, CallSaid), (text, said)
    return said.call


def test_every_english_cardinal_of_num2words_is_its_band() -> None:
    call = ENGLISH.compile("call", BANDS)
    for band in BANDS:
        words = num2words(band, lang="en").replace("-", " ").split()
        said = call.understand(["band", *words])
        assert said == CallSaid(call=Call(band=band)), words


def test_every_spanish_cardinal_of_num2words_is_its_band() -> None:
    for band in BANDS:
        assert meant(f"anilla {num2words(band, lang='es')}") == Call(band=band)


def test_spanish_weights_of_num2words() -> None:
    for grams in range(1, 1000, 7):
        assert meant(f"{num2words(grams, lang='es')} gramos") == Call(weight_g=grams)


def test_every_spanish_band_digit_by_digit() -> None:
    for band in BANDS:
        words = " ".join(num2words(int(digit), lang="es") for digit in str(band))
        assert meant(f"anilla {words}") == Call(band=band)


@pytest.mark.parametrize(
    ("text", "call"),
    [
        ("anilla cuatro dos macho espuma sí", Call(band=42, sex="male", foam="yes")),
        ("anilla cuarenta y dos hembra glándula no", Call(band=42, sex="female", gland="no")),
        ("duda pecho moteado espuma poca", Call(sex="unsure", breast="speckled", foam="trace")),
        ("peso catorce y media onzas", Call(weight_g=round(14.5 * GRAMS_PER_OUNCE, 1))),
        ("anilla cien engordar al corral seis", Call(band=100, fate="grow out", pen="6")),
    ],
)
def test_calls_in_spanish(text: str, call: Call) -> None:
    assert meant(text) == call


def test_answers_and_session_words_in_spanish() -> None:
    assert SPANISH.compile("answer", BANDS).understand(["sí"]) == Answer(yes=True)
    assert ES.understand(["anula", "eso"]) == Command(name="strike")
    assert SPANISH.compile("paused").understand(["reanuda"]) == Command(name="resume")
    assert isinstance(ES.understand(["anilla", "ciento"]), NotUnderstood)
    assert isinstance(ES.understand(["macho", "hembra"]), NotUnderstood)


def test_both_vocabularies_can_say_the_same_things() -> None:
    def tags(grammars: Grammars) -> set[str]:
        names = ("digit", "plus", "times", "tenth")
        return {tag for tag, _ in grammars.tags() if tag.split()[0] not in names}

    assert tags(SPANISH) == tags(ENGLISH)


def test_every_spanish_word_has_a_pronunciation() -> None:
    found = audit(SPANISH, [1, 60, 70])
    assert found.unspoken == ()
    assert found.roster[0].bands == (60, 70)  # sesenta, setenta: the pair that Spanish speakers know


def test_numerals_and_near_misses_typed_in_spanish() -> None:
    typed = read_typed("anilla 42 hembr", ES, SPANISH)
    assert typed.words == ("anilla", "cuatro", "dos", "hembra")
    assert read_typed("anilla cuarent", ES, SPANISH).doubts


def test_typing_in_spanish(tmp_path: Path) -> None:
    given = ["type", "--language", "es", "--roster", "1-60", "--ledger", str(tmp_path / "a.ledger")]
    told = CliRunner().invoke(main, given, input="anilla 42 macho\n")
    assert told.exit_code == 0
    assert "four two, male" in told.output


@pytest.mark.parametrize(
    ("text", "call"),
    [
        ("anilla 2 14.5 onzas", Call(band=2, weight_g=round(14.5 * GRAMS_PER_OUNCE, 1))),
        ("anilla 1 410.5 gramos", Call(band=1, weight_g=410.5)),
        ("anilla 21 macho 410 g", Call(band=21, sex="male", weight_g=410)),
        ("anilla 3 14 y media onzas al corral 12", Call(band=3, weight_g=round(14.5 * GRAMS_PER_OUNCE, 1), pen="12")),
    ],
)
def test_numbers_typed_in_figures_in_spanish(text: str, call: Call) -> None:
    assert read_typed(text, ES, SPANISH).utterance == CallSaid(call=call)


def test_a_call_is_fixed_in_spanish(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keeper = Keeper(tmp_path / "a.ledger")
    keeper("type", "--language", "es", "--roster", "1-60", stdin="anilla 7 macho\n")
    told = keeper("fix", 7, "--language", "es", "--say", "anilla 7 hembra 410.5 g", "--reason", "mal oído")
    assert told.startswith("band 7: sex female, weight_g 410.5;")
    config = tmp_path / "config.toml"
    config.write_text('language = "es"\n', encoding="utf-8")
    monkeypatch.setenv("VOICELOG_CONFIG", str(config))
    assert "“hembr” taken as hembra" in keeper.refused("fix", 7, "--say", "hembr", "--reason", "mal oído")
