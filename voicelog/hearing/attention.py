"""A second listener: how likely given words are over a sound, told by a small attention model.

PocketSphinx hears along the grammar and cannot tell that something else was said; it is also fooled by sounds
that a model of another make is not. This one is Moonshine's smallest English model (MIT licence), which the wheel
of `moonshine-voice` carries up to version 0.1.0; nothing is downloaded. It is asked for the probability of readings,
and of the text it would write itself, free of any grammar. Run by ONNX Runtime, on one core.

The model: Jeffries et al., "Moonshine: Speech Recognition for Live Transcription and Voice Commands", 2024.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.util import find_spec
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from voicelog.hearing.written import ways_to_write
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

if TYPE_CHECKING:
    Logs = np.ndarray[tuple[int, ...], np.dtype[np.float32]]

Words = tuple[str, ...]

_BEGIN, _END = 1, 2
_FIRST_OF_TEXT = 3
"""Tokens 3 to 258 are the single bytes, for what no other token spells; later ones of the same bytes win."""

_MARGIN = SAMPLE_RATE // 10
"""Silence before and after: the model was trained on speech that does not begin at once."""

_LONGEST_TEXT = 60
"""Tokens; a call has hardly more than thirty."""

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


class SecondListener(Protocol):
    """Weighs readings of an utterance that another listener proposed, after it took in the sound."""

    def take_in(self, frames: Frames) -> Impression: ...

    def judge(self, impression: Impression, readings: Sequence[Words]) -> list[float]: ...


@dataclass(frozen=True, slots=True, eq=False)
class Impression:
    """A sound of so many samples as the model took it in, shape (1, steps, width).

    `text` is what the model would write itself, and `likely` how likely it finds that, in nats.
    """

    states: Logs
    samples: int
    start: list[Logs]
    """What the model makes of the sign for the beginning of a text: the same for every text."""
    text: str = ""
    likely: float = 0.0


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

    def take_in(self, frames: Frames) -> Impression:
        """Sound of an utterance, shape (samples,), int16, 16 kHz mono."""
        sound = np.pad(frames, _MARGIN).astype(np.float32)[None] / 32768
        mask = np.ones(sound.shape, np.int64)
        states = self._encoder.run(None, {"input_values": sound, "attention_mask": mask})[0]
        start = self._step(states, sound.shape[1], [_BEGIN], None)
        heard = Impression(states, sound.shape[1], start)
        text, likely = self._free(heard)
        return replace(heard, text=text, likely=likely)

    def judge(self, impression: Impression, readings: Sequence[Words]) -> list[float]:
        """Log likelihood of each reading, in nats."""
        ways = [ways_to_write(words) for words in readings]
        likely = iter(self.likelihoods(impression, list(chain.from_iterable(ways))))
        return [max(islice(likely, len(each))) for each in ways]

    def likelihoods(self, impression: Impression, texts: Sequence[str]) -> list[float]:
        """Log probability of each text, whole, in nats.

        One after the other: the model reckons in 8 bits scaled by all that it is given at once, so that among
        others a text came out up to a tenth less or more likely; together they take as long.
        """
        return [self._likelihood(impression, [*self.tokens.of(text), _END]) for text in texts]

    def _likelihood(self, impression: Impression, tokens: list[int]) -> float:
        first, *state = impression.start
        rest = self._step(impression.states, impression.samples, tokens[:-1], self._kept(state, None))[0]
        rows = np.concatenate((first[0], rest[0]))
        return float(np.sum(rows[np.arange(len(tokens)), tokens] - _log_sum(rows)))

    def _free(self, impression: Impression) -> tuple[str, float]:
        """The text that the model itself would write, word after likeliest word, and its log probability in nats."""
        written, total, past = list[int](), 0.0, None
        logits, *state = impression.start
        while len(written) < _LONGEST_TEXT:
            written.append(int(np.argmax(logits[0, -1])))
            total += float(logits[0, -1, written[-1]] - _log_sum(logits[0, -1:])[0])
            if written[-1] == _END:
                break
            past = self._kept(state, past)
            logits, *state = self._step(impression.states, impression.samples, written[-1:], past)
        return self.tokens.text(written), total

    def _kept(self, state: Sequence[Logs], past: Mapping[str, Logs] | None) -> dict[str, Logs]:
        """What the next step is given of this one; of the sound itself, what the first step made."""
        return {
            name: past[name] if past and ".encoder." in name else new
            for name, new in zip(self._past, state, strict=True)
        }

    def _step(self, states: Logs, samples: int, tokens: Sequence[int], past: Mapping[str, Logs] | None) -> list[Logs]:
        given: dict[str, Any] = {
            "input_ids": np.array([tokens], np.int64),
            "encoder_hidden_states": states,
            "encoder_attention_mask": np.ones((1, samples), np.int64),
            "use_cache_branch": np.array([past is not None]),
        }
        if past is None:
            heads_and_width = (self._inputs[name] for name in self._past)
            past = {
                name: np.zeros((1, shape[1], 0, shape[3]), np.float32)
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
