"""Hearing with PocketSphinx, whose English model is inside its wheel: no download, always there.

One utterance is decoded whole, with the cepstral mean of the whole of it, and
three times: along the network; along a free loop of phones, which says how well
any speech at all would fit; and along the network less what was heard, which
says how close the runner-up comes. The last two make the certainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from voicelog.grammar.network import Network, without
from voicelog.hearing.certainty import WORD_COST, Evidence, certainty_of, word_certainty
from voicelog.values import SAMPLE_RATE, Frames, Heard, VoicelogError, Word

if TYPE_CHECKING:
    from pocketsphinx import Decoder

FRAMES_PER_S = 100
"""Feature frames a second of the model."""

SCORE_UNIT = 1024
"""FSG search keeps scores shifted right by 10 bits (SENSCR_SHIFT in PocketSphinx); this undoes it."""

SHORTEST_S = 0.1
"""Shorter than any word; the decoder has no answer for less."""

WORD_INSERTION = 0.2
"""Word insertion probability; from 0.02 to 0.65 the trial calls came out alike."""

BEAMS = {"beam": 1e-64, "pbeam": 1e-64, "wbeam": 1e-44}
"""Wider than the library's own: a pruned runner-up makes a call look surer than it is. On 384 trial calls
this costs 0.02 of the real-time factor; wider still brought nothing."""


MOST_ALIKE = 4
"""After so many wordings of one meaning the next is taken as the runner-up, whatever it means."""

Words = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Piece:
    """One segment of a decoded path: frames from `start` to `end` inclusive, acoustic score in nats."""

    word: str
    start: int
    end: int
    score: float

    @property
    def frames(self) -> int:
        return self.end - self.start + 1

    @property
    def is_word(self) -> bool:
        return self.word[:1] not in ("<", "[", "+")


def model_folder() -> Path:
    """The English model that the PocketSphinx wheel carries."""
    import pocketsphinx

    folder = Path(pocketsphinx.get_model_path("en-us"))
    if not (folder / "en-us" / "mdef").is_file():
        raise VoicelogError(
            "PocketSphinx is installed without its English model; install the wheel again: "
            "pip install --force-reinstall pocketsphinx"
        )
    return folder


def open_decoder(mllr: Path | None = None, **settings: object) -> Decoder:
    """A decoder with the sound features of voicelog. Raises VoicelogError for a transform that is none."""
    from pocketsphinx import Config, Decoder

    hmm = str(model_folder() / "en-us")
    if mllr is not None:
        settings["mllr"] = str(mllr)
    try:
        decoder = Decoder(Config(hmm=hmm, lm=None, loglevel="FATAL", cmn="batch", bestpath=False, **settings))
    except RuntimeError as wrong:
        if mllr is None:
            raise
        raise VoicelogError(
            f"{mllr}: PocketSphinx cannot use this transform; make it again: voicelog rehearse"
        ) from wrong
    # The model's own file turns PocketSphinx's noise removal on, over any setting. Behind ours it only harms (trial,
    # pink noise at 15 dB: 38 of 40 calls right without it, 34 with it), and what it remembers of the utterance before
    # would make the score of a sound depend on what was heard earlier.
    decoder.config["remove_noise"] = False
    decoder.reinit_feat()
    return decoder


@lru_cache(maxsize=2)
def _phone_loop(mllr: Path | None) -> Decoder:
    # One for the process: it depends on nothing but the model and its transform.
    return open_decoder(mllr, allphone=str(model_folder() / "en-us-phone.lm.bin"), dict=None)


def _decode(decoder: Decoder, sound: bytes) -> list[Piece]:
    decoder.start_utt()
    decoder.process_raw(sound, full_utt=True)
    decoder.end_utt()
    return [
        # A second pronunciation is written word(2); an arc without a word is written (NULL).
        Piece(part.word.partition("(")[0], part.start_frame, part.end_frame, _nats(part.ascore))
        for part in decoder.seg() or ()
        if not part.word.startswith("(")
    ]


def _nats(likelihood: float) -> float:
    return math.log(max(likelihood, 1e-300)) * SCORE_UNIT


class PocketSphinxRecogniser:
    """`Recogniser` over PocketSphinx. `pronunciations` adds words: ARPAbet phones by word. `mllr` is the
    file of a transform that fits the model to a voice; VoicelogError where PocketSphinx cannot use it."""

    name = "pocketsphinx"

    def __init__(self, pronunciations: Mapping[str, str] | None = None, mllr: Path | None = None) -> None:
        self._mllr = mllr
        self._decoder = open_decoder(mllr, dict=str(model_folder() / "cmudict-en-us.dict"), wip=WORD_INSERTION, **BEAMS)
        for word, phones in (pronunciations or {}).items():
            self._decoder.add_word(word, phones, True)
        self._network: Network | None = None
        self._searches: dict[Network, str] = {}
        self._pending: list[Frames] = []

    def listen_for(self, network: Network) -> None:
        """Raises VoicelogError naming the words that have no pronunciation."""
        self._network = network
        self._pending.clear()
        if network in self._searches:
            return
        unknown = sorted(word for word in network.words if self._decoder.lookup_word(word) is None)
        if unknown:
            raise VoicelogError(f"no pronunciation is known for {', '.join(unknown)}; use another word in the grammar")
        self._searches[network] = f"network{len(self._searches)}"
        self._add(self._searches[network], network)

    def _add(self, name: str, network: Network) -> None:
        # Finals lead silently to one end state: a hypothesis must end there, or it is half a call.
        end = len(network.arcs)
        arcs = [(a, b, 1.0, word) for a, leaving in enumerate(network.arcs) for word, b in leaving.items()]
        ends = [(final, end, 1.0) for final in sorted(network.finals)]
        self._decoder.add_fsg(name, self._decoder.create_fsg(name, 0, end, [*arcs, *ends]))

    def feed(self, frames: Frames) -> None:
        self._pending.append(frames)

    def reset(self) -> None:
        self._pending.clear()

    def glance(self, frames: Frames) -> Words:
        """The words of one whole utterance, without the two decodes that make the certainty."""
        return tuple(piece.word for piece in self._path(_as_bytes(frames)) if piece.is_word)

    def finish(self) -> Heard:
        frames = np.concatenate(self._pending) if self._pending else np.zeros(0, np.int16)
        self._pending.clear()
        if len(frames) < SHORTEST_S * SAMPLE_RATE:
            return Heard((), 0.0, self.name)
        sound = _as_bytes(frames)
        path = self._path(sound)
        said = [piece for piece in path if piece.is_word]
        if not said:
            return Heard((), 0.0, self.name)
        free = _score_by_frame(_decode(_phone_loop(self._mllr), sound), path[-1].end + 1)
        rival, rival_score = self._runner_up(tuple(piece.word for piece in said), sound)
        gaps = [float(piece.score - free[piece.start : piece.end + 1].sum()) / piece.frames for piece in said]
        frames_said = sum(piece.frames for piece in said)
        evidence = Evidence(
            fit=sum(gap * piece.frames for gap, piece in zip(gaps, said, strict=True)) / frames_said,
            lead=_worth(path) - rival_score,
        )
        words = tuple(
            Word(piece.word, piece.start / FRAMES_PER_S, (piece.end + 1) / FRAMES_PER_S, word_certainty(gap))
            for piece, gap in zip(said, gaps, strict=True)
        )
        return Heard(words, certainty_of(evidence), self.name, rival)

    def _path(self, sound: bytes) -> list[Piece]:
        if self._network is None:
            raise RuntimeError("listen_for comes before hearing")
        self._decoder.activate_search(self._searches[self._network])
        return _decode(self._decoder, sound)

    def _runner_up(self, words: Words, sound: bytes) -> tuple[Words | None, float]:
        """The best reading that means something else, and its score in nats."""
        assert self._network is not None
        meaning = self._network.meaning(words)
        alike: list[Words] = [words]
        while True:
            self._add("rival", without(self._network, alike))
            self._decoder.activate_search("rival")
            path = _decode(self._decoder, sound)
            self._decoder.activate_search(self._searches[self._network])
            self._decoder.remove_search("rival")
            rival = tuple(piece.word for piece in path if piece.is_word)
            if not rival:
                return None, -math.inf
            if self._network.meaning(rival) != meaning or len(alike) == MOST_ALIKE:
                return rival, _worth(path)
            # "one oh four" and "one zero four" say the same: that is no rival.
            alike.append(rival)


def _worth(path: Sequence[Piece]) -> float:
    return sum(piece.score - WORD_COST * piece.is_word for piece in path)


def _as_bytes(frames: Frames) -> bytes:
    return frames.astype("<i2", copy=False).tobytes()


def _score_by_frame(path: Sequence[Piece], frames: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The score of a path spread evenly over the frames of each piece, shape (frames,), nats."""
    scores = np.zeros(frames)
    for piece in path:
        scores[piece.start : piece.end + 1] = piece.score / piece.frames
    return scores
