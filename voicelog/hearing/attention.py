"""A second listener: how likely given words are over a sound, told by a small attention model.

PocketSphinx hears along the grammar and cannot tell that something else was said; it is also fooled by sounds
that a model of another make is not. This one is Moonshine's smallest English model (MIT licence), which the wheel
of `moonshine-voice` carries up to version 0.1.0; nothing is downloaded. It proposes readings of the grammar, and is
asked for the probability of readings, and of the text it would write itself, free of any grammar. Run by ONNX
Runtime, on one core.

The model: Jeffries et al., "Moonshine: Speech Recognition for Live Transcription and Voice Commands", 2024.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.util import find_spec
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from voicelog.grammar.network import Network
from voicelog.hearing.written import ways_to_write
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

if TYPE_CHECKING:
    Logs = np.ndarray[tuple[int, ...], np.dtype[np.float32]]
    Numbers = np.ndarray[tuple[int, ...], np.dtype[np.int64]]

Words = tuple[str, ...]

_BEGIN, _END = 1, 2
_FIRST_OF_TEXT = 3
"""Tokens 3 to 258 are the single bytes, for what no other token spells; later ones of the same bytes win."""

_MARGIN = SAMPLE_RATE // 10
"""Silence before and after: the model was trained on speech that does not begin at once."""

_LONGEST_TEXT = 60
"""Tokens; a call has hardly more than thirty."""

_WORD_BONUS = 3.0
"""Nats for each word of the grammar in the search: the model takes calls for odd sentences and ends them early."""

_WIDTH = 6
"""Beginnings of readings that the search follows at a time."""

_FILES = ("encoder_model.ort", "decoder_model_merged.ort", "tokenizer.bin")


def attention_model() -> Path | None:
    """The folder of the model, None where its package, or the library that runs it, is not installed."""
    spec = find_spec("moonshine_voice")
    if spec is None or find_spec("onnxruntime") is None or not spec.submodule_search_locations:
        return None
    folder = Path(spec.submodule_search_locations[0], "assets", "tiny-en")
    return folder if all((folder / name).is_file() for name in _FILES) else None


class Tokens:
    """The pieces of words that the model writes with, read from its file: a length and so many bytes each."""

    def __init__(self, data: bytes) -> None:
        self._pieces = list(_pieces(data))
        self._number = {piece: number for number, piece in enumerate(self._pieces) if number >= _FIRST_OF_TEXT}
        self._longest = max(map(len, self._pieces))

    def __len__(self) -> int:
        return len(self._pieces)

    def of(self, text: str) -> list[int]:
        """The tokens of a text, always the longest that fits."""
        rest, found = ("▁" + text.replace(" ", "▁")).encode(), list[int]()
        while rest:
            fits = (rest[:length] for length in range(min(self._longest, len(rest)), 0, -1))
            piece = next(piece for piece in fits if piece in self._number)
            found.append(self._number[piece])
            rest = rest[len(piece) :]
        return found

    def text(self, tokens: Sequence[int]) -> str:
        written = b"".join(self._pieces[token] for token in tokens if token >= _FIRST_OF_TEXT)
        return written.decode(errors="replace").replace("▁", " ").strip()


def _pieces(data: bytes) -> Iterator[bytes]:
    at = 0
    while at < len(data):
        length, at = data[at], at + 1
        if length >= 128:  # two bytes, the lower seven bits first
            length, at = length - 128 + 128 * data[at], at + 1
        yield data[at : at + length]
        at += length


Judge = Callable[[Sequence[Words]], tuple[list[float], float]]
"""Of readings, the log likelihood of each, in nats; and that of what the listener would write itself."""


class SecondListener(Protocol):
    """Hears an utterance by itself: up to so many readings of the network, the likeliest first, and a judge of more."""

    def hear(self, frames: Frames, network: Network, most: int) -> tuple[list[Words], Judge]: ...


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a half written reading may stand: a state of the network, what is still to be written of the word
    that leads there, and the words up to and with it."""

    state: int
    rest: tuple[int, ...] = ()
    words: Words = ()


@dataclass(frozen=True, slots=True)
class _Beam:
    """A half written reading: its log probability with the bonus of its words, and where it may stand."""

    worth: float
    places: frozenset[_Place]

    def whole(self, network: Network) -> Iterator[Words]:
        """The readings that may end here."""
        return (
            place.words for place in self.places if not place.rest and place.words and place.state in network.finals
        )

    def onward(
        self, network: Network, pieces_of: Callable[[str, bool], tuple[int, ...]]
    ) -> Iterator[tuple[int, _Beam]]:
        """Every token that may come next, and what is then written, the token's own probability not yet counted."""
        following: dict[int, set[_Place]] = {}
        begun = set[int]()
        for place in self.places:
            if place.rest:
                following.setdefault(place.rest[0], set()).add(_Place(place.state, place.rest[1:], place.words))
                continue
            for word, to in network.arcs[place.state].items():
                first, *rest = pieces_of(word, not place.words)
                following.setdefault(first, set()).add(_Place(to, tuple(rest), (*place.words, word)))
                begun.add(first)
        for token, places in following.items():
            yield token, _Beam(self.worth + _WORD_BONUS * (token in begun), frozenset(places))


@dataclass(frozen=True, slots=True, eq=False)
class Impression:
    """A sound of so many samples as the model took it in, shape (1, steps, width)."""

    states: Logs
    samples: int


class AttentionListener:
    """Moonshine over ONNX Runtime, on one core. Raises VoicelogError where the files in `folder` are no such model."""

    def __init__(self, folder: Path) -> None:
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        options.log_severity_level = 4
        try:
            self.tokens = Tokens((folder / "tokenizer.bin").read_bytes())
            self._encoder, self._decoder = (
                onnxruntime.InferenceSession(str(folder / name), options, providers=["CPUExecutionProvider"])
                for name in _FILES[:2]
            )
        except Exception as wrong:  # ONNX Runtime has no one kind of its own
            raise VoicelogError(
                f"{folder}: the second listener's model cannot be used ({wrong}); install it again: "
                "pip install --force-reinstall moonshine-voice==0.1.0, or set second_listener to false"
            ) from wrong
        self._inputs = {each.name: each.shape for each in self._decoder.get_inputs()}
        self._past = [name for name in self._inputs if name.startswith("past_key_values")]
        self._stop = self.tokens.of("word.")[-1]
        self._words: dict[tuple[str, bool], tuple[int, ...]] = {}

    def hear(self, frames: Frames, network: Network, most: int) -> tuple[list[Words], Judge]:
        """Sound of an utterance, shape (samples,), int16, 16 kHz mono, and the readings that it could be."""
        impression = self.listen(frames)

        def judge(readings: Sequence[Words]) -> tuple[list[float], float]:
            ways = [ways_to_write(words) for words in readings]
            likely = iter(self.likelihoods(impression, list(chain.from_iterable(ways))))
            return [max(islice(likely, len(each))) for each in ways], self.free(impression)[1]

        return self.readings(impression, network, most), judge

    def listen(self, frames: Frames) -> Impression:
        """Sound of an utterance, shape (samples,), int16, 16 kHz mono."""
        sound = np.pad(frames, _MARGIN).astype(np.float32)[None] / 32768
        mask = np.ones(sound.shape, np.int64)
        states = self._encoder.run(None, {"input_values": sound, "attention_mask": mask})[0]
        return Impression(states, sound.shape[1])

    def likelihoods(self, impression: Impression, texts: Sequence[str]) -> list[float]:
        """Log probability of each text, whole, in nats.

        One after the other: the model reckons in 8 bits scaled by all that it is given at once, so that among
        others a text came out up to a tenth less or more likely; together they take as long.
        """
        return [self._likelihood(impression, [*self.tokens.of(text), _END]) for text in texts]

    def _likelihood(self, impression: Impression, tokens: list[int]) -> float:
        given = np.array([[_BEGIN, *tokens[:-1]]], np.int64)
        rows = self._step(impression, given, None)[0][0]
        return float(np.sum(rows[np.arange(len(tokens)), tokens] - _log_sum(rows)))

    def free(self, impression: Impression) -> tuple[str, float]:
        """The text that the model itself would write, word after likeliest word, and its log probability in nats."""
        written, total, past = [_BEGIN], 0.0, None
        while written[-1] != _END and len(written) <= _LONGEST_TEXT:
            logits, *state = self._step(impression, np.array([written[-1:]], np.int64), past)
            past = self._kept(state, past)
            written.append(int(np.argmax(logits[0, -1])))
            total += float(logits[0, -1, written[-1]] - _log_sum(logits[0, -1:])[0])
        return self.tokens.text(written), total

    def readings(self, impression: Impression, network: Network, most: int) -> list[Words]:
        """Up to `most` readings of the network, the likeliest first: a beam search."""
        beams = [_Beam(0.0, frozenset([_Place(0)]))]
        ended: dict[Words, float] = {}
        tokens, past = np.array([[_BEGIN]], np.int64), None
        for _ in range(_LONGEST_TEXT):
            logits, *state = self._step(impression, tokens, past)
            logs = logits[:, -1] - _log_sum(logits[:, -1])[:, None]
            following = list[tuple[int, int, _Beam]]()
            for row, beam in enumerate(beams):
                # A text ends with or without its full stop.
                end = beam.worth + float(max(logs[row, _END], logs[row, self._stop]))
                for words in beam.whole(network):
                    ended[words] = max(end, ended.get(words, end))
                following += [
                    (row, token, replace(after, worth=after.worth + float(logs[row, token])))
                    for token, after in beam.onward(network, self._pieces_of)
                ]
            following.sort(key=lambda each: -each[2].worth)
            following = following[:_WIDTH]
            best = sorted(ended.values(), reverse=True)[:most]
            if not following or (len(best) == most and best[-1] > following[0][2].worth):
                break
            rows = [row for row, _, _ in following]
            past = {name: kept[rows] for name, kept in self._kept(state, past).items()}
            tokens = np.array([[token] for _, token, _ in following], np.int64)
            beams = [beam for _, _, beam in following]
        return sorted(ended, key=lambda words: -ended[words])[:most]

    def _pieces_of(self, word: str, first: bool) -> tuple[int, ...]:
        if (word, first) not in self._words:
            self._words[word, first] = tuple(self.tokens.of(word.capitalize() if first else word))
        return self._words[word, first]

    def _kept(self, state: Sequence[Logs], past: Mapping[str, Logs] | None) -> dict[str, Logs]:
        """What the next step is given of this one; of the sound itself, what the first step made."""
        return {
            name: past[name] if past and ".encoder." in name else new
            for name, new in zip(self._past, state, strict=True)
        }

    def _step(self, impression: Impression, tokens: Numbers, past: Mapping[str, Logs] | None) -> list[Logs]:
        batch, states = len(tokens), impression.states
        given: dict[str, Any] = {
            "input_ids": tokens,
            "encoder_hidden_states": np.repeat(states, batch, 0),
            "encoder_attention_mask": np.ones((batch, impression.samples), np.int64),
            "use_cache_branch": np.array([past is not None]),
        }
        if past is None:
            heads_and_width = (self._inputs[name] for name in self._past)
            past = {
                name: np.zeros((batch, shape[1], 0, shape[3]), np.float32)
                for name, shape in zip(self._past, heads_and_width, strict=True)
            }
        found: list[Logs] = self._decoder.run(None, {k: v for k, v in {**given, **past}.items() if k in self._inputs})
        return found


def _log_sum(rows: Logs) -> Logs:
    most = rows.max(-1)
    total: Logs = most + np.log(np.exp(rows - most[:, None]).sum(-1))
    return total


@cache
def attention_listener() -> AttentionListener | None:
    """The second listener, loaded once; None where its model is not installed."""
    folder = attention_model()
    return None if folder is None else AttentionListener(folder)
