"""Hearing with PocketSphinx, whose English model is inside its wheel: no download, always there.

One utterance is decoded whole, with the cepstral mean of the whole of it: along the
network, and along the network less what was heard there, for the runner-up. A second
listener, where there is one, is given the sound as it came. It names readings too, and
every reading is scored by both; the best by both together is what was heard. Without
it, PocketSphinx hears a second view of the sound, unless the first leaves no doubt, and
readings are scored in both. PocketSphinx tells
scores less that of the best sound of speech in each frame, so that a score a
frame says how well the words fit, as against any speech at all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, count, takewhile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from voicelog.grammar.network import Network, only, without
from voicelog.hearing.attention import SecondListener
from voicelog.hearing.certainty import MOST_LEAD, WORD_COST, Evidence, certainty_of, speech_of, word_certainty
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


SURE_LEAD = 80.0
"""Nats of lead in the first view from which no other view is asked: that is beyond `ENOUGH_LEAD`."""

PROPOSALS = 2
"""Readings of the second listener that are scored beside PocketSphinx's own two."""

SECOND_WEIGHT = 2.0
"""Nats of PocketSphinx that one of the second listener outweighs: fitted to the readings of noisy trial calls."""

MOST_ALIKE = 4
"""After so many wordings of one meaning the next is taken as the runner-up, whatever it means."""

Words = tuple[str, ...]


MOST_SEARCHES = 4
"""Networks that the decoder keeps ready. Each question of two readings is a new one, of 11 MB for a pen of 34."""


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
    # Scores are told less the best of what is computed in each frame: computed of all states, for else those of
    # two networks could not be compared.
    settings |= {"lm": None, "loglevel": "FATAL", "cmn": "batch", "bestpath": False, "compallsen": True}
    try:
        decoder = Decoder(Config(hmm=hmm, **settings))
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


def decode(decoder: Decoder, sound: bytes) -> list[Piece]:
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
    """`Recogniser` over PocketSphinx. `pronunciations` adds ways to say a word: ARPAbet phones, each way a string.

    `mllr` is the file of a transform that fits the model to a voice; VoicelogError where PocketSphinx cannot use it.
    `second`, where there is one, is asked about every utterance.
    """

    name = "pocketsphinx"

    def __init__(
        self,
        pronunciations: Mapping[str, Sequence[str]] | None = None,
        mllr: Path | None = None,
        second: SecondListener | None = None,
    ) -> None:
        self._second = second
        self._decoder = open_decoder(mllr, dict=str(model_folder() / "cmudict-en-us.dict"), wip=WORD_INSERTION, **BEAMS)
        for word, ways in (pronunciations or {}).items():
            for phones in ways:
                self._add_way(word, phones)
        self._ends: dict[str, Words] = {}
        self._network: Network | None = None
        self._searches: dict[Network, str] = {}
        """Names of the networks that the decoder holds, the one used last at the end."""
        self._made = 0
        self._pending: list[Frames] = []

    def _add_way(self, word: str, phones: str) -> None:
        # The library writes a further way to say a word as word(2), word(3), ...
        names = chain((word,), (f"{word}({number})" for number in count(2)))
        self._decoder.add_word(next(name for name in names if self._decoder.lookup_word(name) is None), phones, True)

    def listen_for(self, network: Network) -> None:
        """Raises VoicelogError naming the words that have no pronunciation."""
        self._network = network
        self._pending.clear()
        if network in self._searches:
            self._searches[network] = self._searches.pop(network)
            return
        unknown = sorted(word for word in network.words if self._decoder.lookup_word(word) is None)
        if unknown:
            raise VoicelogError(
                f"no pronunciation is known for {', '.join(unknown)}; use another word in the grammar, "
                "or give its phones in a yard file"
            )
        self._made += 1
        self._searches[network] = f"network{self._made}"
        self._add(self._searches[network], network)
        if len(self._searches) > MOST_SEARCHES:
            # The decoder must not be left with a search that is gone.
            self._decoder.activate_search(self._searches[network])
            self._decoder.remove_search(self._searches.pop(next(iter(self._searches))))

    def _add(self, name: str, network: Network) -> None:
        # Finals lead silently to one end state: a hypothesis must end there, or it is half a call.
        arcs, finals = self._by_last_phone(network)
        end = len({to for _, to, _ in arcs}) + 1
        ends = [(final, end, 1.0) for final in finals]
        self._decoder.add_fsg(
            name, self._decoder.create_fsg(name, 0, end, [*((a, b, 1.0, word) for a, b, word in arcs), *ends])
        )

    def _by_last_phone(self, network: Network) -> tuple[list[tuple[int, int, str]], list[int]]:
        """The arcs and final states of a network whose states are entered by words of one last phone alone.

        Where words that end differently lead into one state, the decoder's model of the first phone
        behind it is a compromise between them: of the same words over the same sound it then scored
        50 nats less than along a network of these words alone, more than most runners-up are behind.
        """
        start: tuple[int, Words] = (0, ())
        number = {start: 0}
        todo, arcs, finals = [start], [], []
        while todo:
            place = todo.pop()
            if place[0] in network.finals:
                finals.append(number[place])
            for word, to in network.arcs[place[0]].items():
                target = (to, self._last_phones(word))
                if target not in number:
                    number[target] = len(number)
                    todo.append(target)
                arcs.append((number[place], number[target], word))
        return arcs, finals

    def _last_phones(self, word: str) -> Words:
        """The last phone of every way to say the word."""
        if word not in self._ends:
            names = chain((word,), (f"{word}({number})" for number in count(2)))
            ways = takewhile(lambda way: way is not None, map(self._decoder.lookup_word, names))
            self._ends[word] = tuple(sorted({way.split()[-1] for way in ways}))
        return self._ends[word]

    def feed(self, frames: Frames) -> None:
        self._pending.append(frames)

    def reset(self) -> None:
        self._pending.clear()

    def finish(self) -> Heard:
        frames = np.concatenate(self._pending) if self._pending else np.zeros(0, np.int16)
        self._pending.clear()
        return self.hear((frames,))

    def hear(self, views: Sequence[Frames]) -> Heard:
        words, rival, evidence = self.weigh(views)
        if evidence is None:
            return Heard((), 0.0, self.name)
        either = 0.0 if rival is None else speech_of(evidence)
        return Heard(words, certainty_of(evidence), self.name, rival, either=either)

    def weigh(self, views: Sequence[Frames]) -> tuple[tuple[Word, ...], Words | None, Evidence | None]:
        """What was heard, the runner-up, and what was measured of them; no evidence where nothing was heard."""
        if len(views[0]) < SHORTEST_S * SAMPLE_RATE:
            return (), None, None
        if self._second is None:
            return self._weigh_views([as_bytes(view) for view in views[:2]])
        return self._weigh_with(self._second, views[0], views[-1])

    def _weigh_with(
        self, second: SecondListener, quiet: Frames, raw: Frames
    ) -> tuple[tuple[Word, ...], Words | None, Evidence | None]:
        """Both listeners name readings, and score those of both."""
        assert self._network is not None
        sound = as_bytes(quiet)
        path = self._path(sound)
        heard = _words(path)
        if not heard:
            return (), None, None
        rival, rival_path = self._runner_up(heard, sound)
        paths = {heard: path} | ({} if rival is None else {rival: rival_path})
        proposed, judge = second.hear(raw, self._network, PROPOSALS)
        shorter = self._shorter(heard)
        readings = list(dict.fromkeys((heard, *paths, *proposed, *shorter)))
        found, free = judge(readings)
        likely = dict(zip(readings, found, strict=True))
        # PocketSphinx finds none of them better than its runner-up; what the second listener does not either is beaten.
        least = -math.inf if rival is None else likely[rival]
        if proposed and self._meaning(proposed[0]) != self._meaning(heard):
            better = (words for words in proposed if words not in paths and likely[words] > least)
            paths |= {words: self._along(words, sound) for words in better}
        best_shorter = max(shorter, key=lambda words: likely[words], default=heard)
        if best_shorter not in paths and likely[best_shorter] > max(least, likely[heard]):
            # A clatter is soon taken for a word. Said without it, "ounce dead" may have been "ounces".
            path = self._path_in(only([best_shorter, *self._other_wordings(best_shorter)]), sound)
            words = _words(path)
            if words:
                paths[words] = path
                likely[words] = judge([words])[0][0]
        worth = {words: (_worth(along), likely[words]) for words, along in paths.items() if _words(along)}
        ranked = sorted(worth, key=lambda words: worth[words][0] + SECOND_WEIGHT * worth[words][1], reverse=True)
        best, meaning = ranked[0], self._meaning(ranked[0])
        other = next((words for words in ranked[1:] if self._meaning(words) != meaning), None)
        leads = (MOST_LEAD, MOST_LEAD)
        if other is not None:
            leads = tuple(np.clip(np.subtract(worth[best], worth[other]), -MOST_LEAD, MOST_LEAD).tolist())
        agreed = [self._meaning(words) == meaning for words in (heard, *proposed[:1])]
        said, gaps, evidence = _fit(paths[best], leads[0], leads[0], sum(agreed) / len(agreed))
        evidence = replace(evidence, other_lead=leads[1], unlikely=max(0.0, free - worth[best][1]))
        return tuple(map(_word, said, gaps)), other, evidence

    def _shorter(self, words: Words) -> list[Words]:
        """The readings with one word less that mean something else."""
        assert self._network is not None
        less = (words[:at] + words[at + 1 :] for at in range(len(words)))
        meaning = self._meaning(words)
        return [some for some in dict.fromkeys(less) if self._network.accepts(some) and self._meaning(some) != meaning]

    def _other_wordings(self, words: Words) -> list[Words]:
        """The readings with another word in one place that mean the same."""
        assert self._network is not None
        arcs, state, others = self._network.arcs, 0, list[Words]()
        meaning = self._meaning(words)
        for at, word in enumerate(words):
            others += [(*words[:at], other, *words[at + 1 :]) for other in arcs[state] if other != word]
            state = arcs[state][word]
        return [some for some in others if self._network.accepts(some) and self._meaning(some) == meaning]

    def _weigh_views(self, sounds: list[bytes]) -> tuple[tuple[Word, ...], Words | None, Evidence | None]:
        """The one listener hears both views, unless the first leaves no doubt, and every reading is scored in both."""
        # By reading: its path in each view, where that is known already.
        paths: dict[Words, dict[int, list[Piece]]] = {}
        heard: list[Words] = []
        for view, sound in enumerate(sounds):
            path = self._path(sound)
            words = _words(path)
            heard.append(words)
            if words and not paths:
                rival, rival_path = self._runner_up(words, sound)
                paths[words] = {view: path}
                if rival is None or _worth(path) - _worth(rival_path) >= SURE_LEAD:
                    sounds = sounds[: view + 1]  # no other view would change this
                    if rival is not None:
                        paths[rival] = {view: rival_path}
                    break
                paths[rival] = {view: rival_path}
            elif words:
                paths.setdefault(words, {})[view] = path
        if not paths:
            return (), None, None
        worth = {
            words: [_worth(known.get(view) or self._along(words, sound)) for view, sound in enumerate(sounds)]
            for words, known in paths.items()
        }
        ranked = sorted(worth, key=lambda words: sum(worth[words]), reverse=True)
        best, meaning = ranked[0], self._meaning(ranked[0])
        second = next((words for words in ranked[1:] if self._meaning(words) != meaning), None)
        leads = [MOST_LEAD] if second is None else [a - b for a, b in zip(worth[best], worth[second], strict=True)]
        said, gaps, evidence = _fit(
            min(paths[best].items())[1],
            float(np.mean(np.clip(leads, -MOST_LEAD, MOST_LEAD))),
            float(np.clip(min(leads), -MOST_LEAD, MOST_LEAD)),
            sum(bool(words) and self._meaning(words) == meaning for words in heard) / len(heard),
        )
        return tuple(map(_word, said, gaps)), second, evidence

    def _meaning(self, words: Words) -> object:
        assert self._network is not None
        return self._network.meaning(words)

    def _path(self, sound: bytes) -> list[Piece]:
        if self._network is None:
            raise RuntimeError("listen_for comes before hearing")
        self._decoder.activate_search(self._searches[self._network])
        return decode(self._decoder, sound)

    def _along(self, words: Words, sound: bytes) -> list[Piece]:
        """The path of these words and no others; empty where the sound is too short for them."""
        return self._path_in(only([words]), sound)

    def _path_in(self, network: Network, sound: bytes) -> list[Piece]:
        """The best path of a network that is used this once."""
        assert self._network is not None
        self._add("once", network)
        self._decoder.activate_search("once")
        path = decode(self._decoder, sound)
        self._decoder.activate_search(self._searches[self._network])
        self._decoder.remove_search("once")
        return path

    def _runner_up(self, words: Words, sound: bytes) -> tuple[Words | None, list[Piece]]:
        """The best reading that means something else, and its path."""
        assert self._network is not None
        meaning = self._meaning(words)
        alike: list[Words] = [words]
        while True:
            path = self._path_in(without(self._network, alike), sound)
            rival = _words(path)
            if not rival:
                return None, path
            if self._meaning(rival) != meaning or len(alike) == MOST_ALIKE:
                return rival, path
            # "one oh four" and "one zero four" say the same: that is no rival.
            alike.append(rival)


def _words(path: Sequence[Piece]) -> Words:
    return tuple(piece.word for piece in path if piece.is_word)


def _worth(path: Sequence[Piece]) -> float:
    return sum(piece.score - WORD_COST * piece.is_word for piece in path) if path else -math.inf


def _fit(
    path: Sequence[Piece], lead: float, least_lead: float, agreed: float
) -> tuple[list[Piece], list[float], Evidence]:
    """The words of a path, the fit of each, and what is measured of them all."""
    said = [piece for piece in path if piece.is_word]
    gaps = [piece.score / piece.frames for piece in said]
    fit = sum(piece.score for piece in said) / sum(piece.frames for piece in said)
    return said, gaps, Evidence(fit, min(gaps), lead, least_lead, agreed, len(said))


def as_bytes(frames: Frames) -> bytes:
    return frames.astype("<i2", copy=False).tobytes()


def _word(piece: Piece, gap: float) -> Word:
    return Word(piece.word, piece.start / FRAMES_PER_S, (piece.end + 1) / FRAMES_PER_S, word_certainty(gap))
