"""The second listener: real sound through the real model, and how words are written for it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from num2words import num2words

from voicelog.audio import read_sound
from voicelog.grammar import Grammars
from voicelog.hearing import attention
from voicelog.hearing.attention import AttentionListener, Impression, Tokens, Words, attention_listener, attention_model
from voicelog.hearing.pocketsphinx_engine import PocketSphinxRecogniser, _Judging
from voicelog.hearing.written import ways_to_write
from voicelog.places import shipped
from voicelog.values import Frames, VoicelogError

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"


def sound(name: str) -> Frames:
    return np.concatenate(list(read_sound(FIXTURES / name)))


@pytest.fixture(scope="module")
def listener() -> AttentionListener:
    found = attention_listener()
    assert found is not None, "pip install moonshine-voice==0.1.0"
    return found


def test_the_words_that_were_said_are_the_likeliest(listener: AttentionListener) -> None:
    taken_in = listener.take_in(sound("calls/flite_awb/06.flac"))
    said, *others = listener.likelihoods(
        taken_in, ["Band forty female.", "Band fourteen female.", "Band forty male.", "Band four female."]
    )
    assert said > max(others) + 2


def test_it_writes_down_what_it_hears_free_of_any_grammar(listener: AttentionListener) -> None:
    taken_in = listener.take_in(sound("calls/flite_awb/06.flac"))
    assert taken_in.text.lower().endswith("forty female.")
    assert taken_in.likely == pytest.approx(listener.likelihoods(taken_in, [taken_in.text])[0], abs=1)


def test_a_text_alone_is_as_likely_as_among_others(listener: AttentionListener) -> None:
    taken_in = listener.take_in(sound("calls/flite_awb/06.flac"))
    texts = ["Band forty female.", "Band one hundred and seven, foam no, fourteen and a half ounces."]
    together = listener.likelihoods(taken_in, texts)
    assert together == [listener.likelihoods(taken_in, [text])[0] for text in texts]


def test_it_weighs_what_is_proposed(listener: AttentionListener) -> None:
    readings = [("band", "forty", "female"), ("band", "fourteen", "female"), ("band", "forty", "male")]
    taken_in = listener.take_in(sound("calls/flite_awb/06.flac"))
    likely = listener.judge(taken_in, readings)
    assert likely[0] == max(likely)
    assert taken_in.likely > likely[0] - 1


def test_readings_judged_aside_come_out_as_those_judged_here(listener: AttentionListener) -> None:
    """Whether they were asked about beforehand, or not, or for nothing; also when the worker is busy meanwhile."""
    readings = [("band", "forty", "female"), ("band", "fourteen", "female"), ("band", "forty", "male")]
    heard = listener.take_in(sound("calls/flite_awb/06.flac"))
    for begun in ([], readings, [("hen",), *readings[1:], ("band", "four")]):
        for busy_s in (0, 0.2):
            with ThreadPoolExecutor(1) as aside, _Judging(listener, aside.submit(lambda: heard), aside) as judging:
                aside.submit(time.sleep, busy_s)
                judging.begin(begun)
                assert judging.of(readings) == listener.judge(heard, readings)
                assert judging.of([]) == []


def test_what_was_not_begun_is_not_judged_when_the_handler_speaks_on(listener: AttentionListener) -> None:
    heard = listener.take_in(sound("calls/flite_awb/06.flac"))
    judged: list[Words] = []

    class Counted:
        def take_in(self, frames: Frames) -> Impression:
            return listener.take_in(frames)

        def judge(self, impression: Impression, readings: Sequence[Words]) -> list[float]:
            judged.extend(readings)
            return listener.judge(impression, readings)

    with ThreadPoolExecutor(1) as aside:
        with pytest.raises(KeyError), _Judging(Counted(), aside.submit(lambda: heard), aside) as judging:
            aside.submit(time.sleep, 0.3)
            judging.begin([("band", "forty", "female"), ("hen",)])
            raise KeyError
        aside.submit(lambda: None).result()
    assert judged == []


def test_talk_is_unlikely_as_any_call(listener: AttentionListener) -> None:
    recogniser = PocketSphinxRecogniser(second=listener)
    grammar = Grammars(shipped("grammars")).compile("call", range(1, 300))
    recogniser.listen_for(grammar.network)
    _, _, of_call = recogniser.weigh([sound("calls/flite_awb/06.flac")])
    _, _, of_talk = recogniser.weigh([sound("noise/bystander.flac")])
    assert of_call is not None and of_call.unlikely is not None and of_call.unlikely < 15
    assert of_talk is None or (of_talk.unlikely is not None and of_talk.unlikely > 25)


def test_a_minute_of_sound_is_taken_in(listener: AttentionListener) -> None:
    taken_in = listener.take_in(np.zeros(60 * 16000, np.int16))
    assert len(listener.likelihoods(taken_in, ["Band forty female."])) == 1


@given(st.lists(st.sampled_from(["band", "forty", "two", "oh", "hen", "speckled"]), min_size=1))
def test_every_text_is_spelled_by_tokens(words: list[str]) -> None:
    folder = attention_model()
    assert folder is not None
    tokens = Tokens((folder / "tokenizer.bin").read_bytes())
    assert tokens.text(tokens.of(" ".join(words))) == " ".join(words)


def test_letters_without_a_token_are_spelled_by_their_bytes(listener: AttentionListener) -> None:
    assert listener.tokens.text(listener.tokens.of("gluñido ✓")) == "gluñido ✓"


@given(st.integers(1, 999))
def test_numbers_in_words_become_numerals(number: int) -> None:
    # num2words, of the registry, knows how English numbers are said.
    words = num2words(number).replace("-", " ").split()
    assert ways_to_write(["band", *words, "hen"])[-1] == f"Band {number} hen."


@pytest.mark.parametrize(
    ("said", "written"),
    [
        ("band one oh seven", ("Band one oh seven.", "Band 107.")),
        ("band two hundred five foam no", ("Band two hundred five foam no.", "Band 205 foam no.")),
        ("fourteen and a half ounces", ("Fourteen and a half ounces.", "14 and a half ounces.")),
        ("strike that", ("Strike that.",)),
        # Words that the model hardly knows, as ones that it does.
        ("band two gland no cull", ("Band two gland no call.", "Band 2 gland no call.")),
        ("breast speckled", ("Breast special.",)),
    ],
)
def test_ways_to_write(said: str, written: tuple[str, ...]) -> None:
    assert ways_to_write(said.split()) == written


def test_a_broken_model_says_what_to_do(tmp_path: Path) -> None:
    for name in ("encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin"):
        (tmp_path / name).write_bytes(b"\x02ab")
    with pytest.raises(VoicelogError, match="install it again"):
        AttentionListener(tmp_path)


def test_without_its_package_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(attention, "find_spec", lambda name: None)
    assert attention_model() is None
