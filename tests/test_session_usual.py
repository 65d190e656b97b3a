"""How usual a call is beside another reading of the same sound, and what that does to certainty."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.config import Config
from voicelog.grammar.utterance import Answer, CallSaid
from voicelog.ledger import new_id
from voicelog.session import Purpose, State, Turn, by_custom, odds, start, step
from voicelog.sitting import BY_CUSTOM, Listened, Sitting
from voicelog.values import Call, Check, Frames, Heard, Verdict, Word, unchecked
from voicelog.wiring import open_grammars

STATE = start((42, 107))
TONE = np.pad((8000 * np.sin(np.arange(16_000) * 2 * np.pi * 150 / 16_000)).astype(np.int16), 2400)


def said(**slots: object) -> CallSaid:
    return CallSaid(call=Call.model_validate(slots))


@pytest.mark.parametrize(
    ("call", "rival", "more_usual"),
    [
        (said(band=42, weight_g=383), said(band=42, weight_g=865), 20),
        (said(band=42, weight_g=865), said(band=42, weight_g=383), 1 / 20),
        (said(band=42, weight_g=865), said(band=42, weight_g=900), 1),
        (said(band=42, weight_g=865), said(band=107, weight_g=383), 1),
        (said(band=42, weight_g=865), said(band=42), 1),
        (said(band=42, sex="female", foam="no"), said(band=42, condition="dead", foam="no"), 10),
        (said(condition="injured"), said(sex="unsure"), 1 / 10),
        (said(band=42, sex="female"), said(band=42, condition="fine"), 10),
        (said(band=42, sex="female"), said(band=107, condition="dead"), 1),
        (said(band=42, sex="female"), said(band=42, sex="male"), 1),
        (said(band=42, condition="dead"), said(band=42), 1),
        (said(band=42, condition="injured"), said(band=42, sex="female", condition="injured"), 1),
        (said(band=42, sex="female", condition="dead"), said(band=42, sex="female"), 1),
        (Answer(yes=True), said(band=42, condition="dead"), 1),
    ],
)
def test_how_usual_a_call_is_beside_another(call: CallSaid, rival: CallSaid, more_usual: float) -> None:
    assert odds(STATE, call, rival) == pytest.approx(more_usual)


@given(
    certainty=st.floats(0.001, 0.999),
    more=st.floats(0, 1),
    more_usual=st.sampled_from([1 / 20, 1 / 10, 1.0, 10.0, 20.0]),
)
def test_custom_shifts_certainty_between_two_readings_and_makes_none(
    certainty: float, more: float, more_usual: float
) -> None:
    either = certainty + more * (1 - certainty)
    ours, theirs = by_custom(certainty, either, more_usual)
    assert ours + theirs == pytest.approx(either)  # what was no call at all becomes none by being usual
    # Bayes' rule: the odds of the two, times how much more usual the one is.
    assert ours * (either - certainty) == pytest.approx(theirs * certainty * more_usual)
    unknown, nothing = by_custom(certainty, 0.0, more_usual)
    assert nothing == 0 and unknown == pytest.approx(min(certainty, by_custom(certainty, 1.0, more_usual)[0]))


class _Told:
    """A recogniser that hears what it is told to."""

    name = "told"

    def __init__(self, heard: Heard) -> None:
        self._heard = heard

    def listen_for(self, network: object) -> None:
        pass

    def hear(self, views: object, check: Check = unchecked) -> Heard:
        return self._heard


def _words(text: str, certainty: float) -> tuple[Word, ...]:
    return tuple(Word(word, 0.0, 1.0, certainty) for word in text.split())


def in_full(text: str) -> str:
    """A call with a number for its weight, in words."""
    grams = {"383": "three eight three grams", "865": "eight six five grams", "900": "nine hundred grams"}
    said = " ".join(grams.get(word, word) for word in text.split())
    return said if said.startswith("band ") else f"band {said}"


def listening(heard: Heard, state: State = STATE) -> Listened:
    """What a session makes of it. The sound has a voice in it and is loud enough."""
    sitting = Sitting(open_grammars(Config()), state, recogniser=_Told(heard))  # type: ignore[arg-type]
    return sitting.listen(TONE)


@pytest.mark.parametrize(
    ("words", "rival", "certainty", "either", "heard", "comes_out"),
    [
        ("band four two hen", "band four two dead", 0.52, 0.99, "band four two hen", 0.908),
        ("band four two injured", "band four two unsure", 0.93, 0.99, "band four two injured", 0.602),
        ("band four two dead", "band four two hen", 0.82, 0.98, "band four two hen", 0.648),
        ("band four two hen", "band four two cock", 0.52, 0.99, "band four two hen", 0.52),
        ("band four two dead", "band four two hen", 0.82, 0.0, "band four two dead", 0.313),
        # A weight of 865 g is one that hardly any bird has.
        ("four two male 383", "four two male 865", 0.70, 0.99, "four two male 383", 0.970),
        ("four two 865", "four two 383", 0.45, 0.97, "four two 383", 0.930),
        ("four two 865", "four two 383", 0.01, 0.02, "four two 383", 0.019),
        ("four two 865", "four two 383", 0.97, 0.97, "four two 865", 0.970),
        ("four two 865", "four two 900", 0.45, 0.97, "four two 865", 0.450),
        ("four two 865", "one zero seven 383", 0.45, 0.97, "four two 865", 0.450),
    ],
)
def test_what_is_usual_counts_where_sound_alone_leaves_it_open(
    words: str, rival: str, certainty: float, either: float, heard: str, comes_out: float
) -> None:
    words, rival, heard = map(in_full, (words, rival, heard))
    listened = listening(Heard(_words(words, certainty), certainty, "told", tuple(rival.split()), either=either))
    assert listened.heard.text == heard
    assert listened.heard.certainty == pytest.approx(comes_out, abs=0.001)


def after(certainty: float, call: CallSaid, rival: CallSaid | None = None) -> State:
    return step(STATE, Turn(new_id(), call, "", certainty, rival=rival, either=0.99)).state


def test_once_the_sex_was_called_a_condition_alone_is_usual() -> None:
    known = after(0.99, said(band=42, sex="female"))
    assert odds(known, said(condition="injured"), said(sex="unsure")) == 1
    assert odds(known, said(band=107, condition="injured"), said(band=107, sex="unsure")) == pytest.approx(1 / 10)


def test_custom_has_no_say_in_the_answer_to_a_question_that_names_two_readings() -> None:
    asked = after(0.5, said(band=42, sex="unsure"), said(band=42, condition="injured"))
    answer = listening(Heard(_words("injured", 0.97), 0.97, "told", ("unsure",), either=0.99), asked)
    assert asked.pending is not None and answer.heard.certainty == 0.97


def test_what_is_likely_by_custom_alone_is_doubted() -> None:
    alone = listening(
        Heard(_words("band four two injured", 0.45), 0.45, "told", ("band", "four", "two", "unsure"), either=0.99)
    )
    assert alone.heard.text == "band four two unsure" and alone.heard.certainty > 0.9
    assert alone.doubts == (BY_CUSTOM,)
    fairly = listening(
        Heard(_words("band four two hen", 0.7), 0.7, "told", ("band", "four", "two", "dead"), either=0.99)
    )
    assert fairly.heard.certainty > 0.9 and fairly.doubts == ()


def test_sell_is_doubted_however_sure_and_another_fate_is_not() -> None:
    sell, keep = (
        listening(Heard(_words(f"band four two male {fate}", 0.999), 0.999, "told")) for fate in ("sell", "keep")
    )
    assert sell.doubts == ("“sell” is what “cull” was taken for",) and keep.doubts == ()


def _sell_or_cull(first: Frames) -> Listened:
    """A vowel, a pause, those samples and a vowel again: the last word begins with them."""
    pitch = np.arange(4000) * 2 * np.pi * 150 / 16_000
    tone = sum(2000 * np.sin(harmonic * pitch) for harmonic in (1, 2, 3, 4)).astype(np.int16)
    sound = np.concatenate(
        [np.zeros(4000, np.int16), tone, np.zeros(2000, np.int16), first, tone, np.zeros(8000, np.int16)]
    )
    start = 10_000 / 16_000
    words = (*_words("band four two male", 0.999), Word("sell", start, start + (len(first) + 4000) / 16_000, 0.999))
    heard = Heard(words, 0.999, "told")
    sitting = Sitting(open_grammars(Config()), STATE, recogniser=_Told(heard))  # type: ignore[arg-type]
    return sitting.listen(sound)


def test_sell_is_not_doubted_where_its_first_sound_is_heard() -> None:
    hertz = np.fft.rfftfreq(1600, 1 / 16_000)
    white = np.fft.rfft(np.random.default_rng(1).standard_normal(1600))
    hiss = 3000 * np.fft.irfft(white * (hertz > 4500), 1600)
    burst = np.where(np.arange(1600) < 1000, 0, 3000 * np.fft.irfft(white * ((hertz > 1000) & (hertz < 2500)), 1600))
    assert _sell_or_cull(hiss.astype(np.int16)).doubts == ()
    assert _sell_or_cull(burst.astype(np.int16)).doubts == ("“sell” is what “cull” was taken for",)


def test_a_reading_that_no_answer_could_choose_is_not_offered(tmp_path: Path) -> None:
    """A keeper's word that is always asked about, for it is heard where the other reading was said."""
    words = '[words.fate]\nsell = ["market"]\n'
    heard = Heard(
        _words("band four two keep", 0.85), 0.85, "told", tuple(["band", "four", "two", "market"]), either=0.99
    )
    asked = {}
    for pairs in ("", '[taken_for]\nmarket = ["keep"]\n', '[taken_for]\nmarket = ["cull"]\n'):
        (tmp_path / "yard.toml").write_text(words + pairs)
        grammars = open_grammars(Config(yard=tmp_path / "yard.toml"))
        sitting = Sitting(grammars, STATE, recogniser=_Told(heard))  # type: ignore[arg-type]
        outcome = sitting.take(sitting.listen(TONE)).outcome
        asked[pairs] = outcome.replies[0].text
        assert outcome.verdict is Verdict.ASK
    assert list(asked.values()) == [
        "four two: keep, or sell?",
        "four two, keep? yes or no",
        "four two: keep, or sell?",
    ]


def test_a_choice_at_a_banding_writes_the_band_under_an_id_of_its_own() -> None:
    state = start((42, 107), purpose=Purpose("banding"))
    spare, heard = new_id(), new_id()
    asked = Turn(heard, said(band=42, sex="unsure"), "", 0.8, rival=said(band=42, sex="male"), spare_id=spare)
    chosen = step(step(state, asked).state, Turn(new_id(), said(sex="male"), "", 0.99))
    assert [event_id for event_id, _ in chosen.facts] == [spare, heard]
