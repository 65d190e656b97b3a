"""Hearing with PocketSphinx, whose English model is inside its wheel: no download, always there.

PocketSphinx scores one utterance as a whole, with the cepstral mean of the whole of it: how well each of its states
fits each frame. The search for words is our own (`search.py`): it tells not one reading of the network but the best
few, each with its score. PocketSphinx's own search gave one, and had to listen anew for every further reading. A
second listener, where there is one, is given the sound as it came, and says how likely it finds each of them; the best
by both together is what was heard. Without it, PocketSphinx scores a second view of the sound, where the first knows
more than one reading.

Scores are told less that of the best sound of speech in each frame, so that a score a frame says how well the words
fit, as against any speech at all.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from itertools import chain, count, takewhile
from pathlib import Path
from typing import Self

import numpy as np

from voicelog.grammar.network import Network
from voicelog.grammar.utterance import NotUnderstood
from voicelog.hearing.attention import Impression, SecondListener
from voicelog.hearing.certainty import (
    MOST_LEAD,
    SECOND_WEIGHT,
    WORD_COST,
    Evidence,
    certainty_of,
    speech_of,
    word_certainty,
)
from voicelog.hearing.noise import over_noise_db
from voicelog.hearing.phones import CostsOfFrame, PhoneModel
from voicelog.hearing.scores import Scorer, plain_scorer
from voicelog.hearing.search import Graph, Reading, Spoken, exact
from voicelog.hearing.sphinx import model_folder, open_decoder
from voicelog.hearing.written import as_heard
from voicelog.values import SAMPLE_RATE, Check, Frames, Heard, VoicelogError, Word, unchecked

FRAMES_PER_S = 100
"""Feature frames a second of the model."""

SHORTEST_S = 0.1
"""Shorter than any word; the decoder has no answer for less."""

READINGS = 24
"""Readings that are weighed at the most."""

WORDINGS = 2
"""Of those, with one meaning."""

SEARCHED = 100
RESCORED = 40
"""Readings that are looked through for them, and those of them that are scored by themselves."""

MOST_BEHIND = 120.0
"""Nats behind the best from which a reading is not weighed: ten nats of the second listener make up for that."""

NONSENSE_LEAD = 40.0
"""Nats by which a reading that says a slot twice must be ahead of all others to be what was heard."""

DISAGREEING = 3.0
"""Nats by which the second listener must find a reading with one word less, or what it would write itself, likelier to
make it the runner-up, however bad PocketSphinx finds it: that soon takes a clatter, or a bystander's word, for a word
of a call."""

MOST_GRAPHS = 4
"""Networks kept ready: one for a pen takes a quarter of a second to make, and each question of two readings is one."""

Words = tuple[str, ...]


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
        self._aside = ThreadPoolExecutor(1, "second listener")
        if second is not None:
            # The first time takes three times as long: not while somebody waits.
            self._aside.submit(second.take_in, np.zeros(SAMPLE_RATE, np.int16))
        # Asked for the phones of words; before a process is begun it tells of a transform that is none.
        self._decoder = open_decoder(mllr, dict=str(model_folder() / "cmudict-en-us.dict"))
        self._scorer = plain_scorer() if mllr is None else Scorer(mllr)
        self._phones = PhoneModel(model_folder() / "en-us")
        for word, ways in (pronunciations or {}).items():
            for phones in ways:
                self._add_way(word, phones)
        self._ways: dict[str, list[list[str]]] = {}
        self._network: Network | None = None
        self._graphs: dict[Network, Graph] = {}
        """By network, the one used last at the end."""
        self._pending: list[Frames] = []

    def _add_way(self, word: str, phones: str) -> None:
        # The library writes a further way to say a word as word(2), word(3), ...
        names = chain((word,), (f"{word}({number})" for number in count(2)))
        self._decoder.add_word(next(name for name in names if self._decoder.lookup_word(name) is None), phones, True)

    def listen_for(self, network: Network) -> None:
        """Raises VoicelogError naming the words that have no pronunciation."""
        self._network = network
        self._pending.clear()
        if network in self._graphs:
            self._graphs[network] = self._graphs.pop(network)
            return
        unknown = sorted(word for word in network.words if not self._said(word))
        if unknown:
            raise VoicelogError(
                f"no pronunciation is known for {', '.join(unknown)}; use another word in the grammar, "
                "or give its phones in a yard file"
            )
        self._graphs[network] = self._graph(network)
        if len(self._graphs) > MOST_GRAPHS:
            del self._graphs[next(iter(self._graphs))]

    def _graph(self, network: Network) -> Graph:
        return Graph(network, self._phones, self._said, WORD_COST)

    def _said(self, word: str) -> list[list[str]]:
        """Every way to say a word, in phones."""
        if word not in self._ways:
            names = chain((word,), (f"{word}({number})" for number in count(2)))
            ways = takewhile(lambda way: way is not None, map(self._decoder.lookup_word, names))
            self._ways[word] = [way.split() for way in ways]
        return self._ways[word]

    def feed(self, frames: Frames) -> None:
        self._pending.append(frames)

    def reset(self) -> None:
        self._pending.clear()

    def finish(self) -> Heard:
        frames = np.concatenate(self._pending) if self._pending else np.zeros(0, np.int16)
        self._pending.clear()
        return self.hear((frames,))

    def hear(self, views: Sequence[Frames], check: Check = unchecked) -> Heard:
        words, rival, evidence = self.weigh(views, check)
        if evidence is None:
            return Heard((), 0.0, self.name)
        either = speech_of(evidence) if rival is not None else 0.0
        by_two = self._second is not None
        return Heard(words, certainty_of(evidence), self.name, rival, either=either, by_two=by_two)

    def weigh(
        self, views: Sequence[Frames], check: Check = unchecked
    ) -> tuple[tuple[Word, ...], Words | None, Evidence | None]:
        """What was heard, the runner-up, and what was measured of them; no evidence where nothing was heard."""
        if len(views[0]) < SHORTEST_S * SAMPLE_RATE:
            return (), None, None
        if self._second is None:
            return self._weigh_views(views[:-1] or views, check)
        return self._weigh_with(self._second, views[0], views[-1], check)

    def _weigh_with(
        self, second: SecondListener, quiet: Frames, raw: Frames, check: Check
    ) -> tuple[tuple[Word, ...], Words | None, Evidence | None]:
        """PocketSphinx names readings, and both listeners weigh them."""
        with _Judging(second, self._aside, raw, self._expected) as judging:
            costs = self._scorer.costs(quiet, check)
            found = self._readings(costs, check, judging.begin)
            impression = judging.impression()
            check()
            if not found:
                return (), None, None
            written = as_heard(impression.text)
            found += self._unheard(written, found, costs)
            against = self._against(found[0].words, written)
            readings = [reading.words for reading in found]
            *likely, unsaid = judging.of([*readings, *against], over_hiss=readings[:1])
            worth = {reading.words: (reading.worth, other) for reading, other in zip(found, likely, strict=False)}
            ranked = sorted(found, key=lambda each: each.worth + SECOND_WEIGHT * worth[each.words][1], reverse=True)
            best = ranked[0]
            if best is not found[0]:
                (unsaid,) = judging.of([], over_hiss=[best.words])
        rival = self._rival(ranked)
        leads = (MOST_LEAD, MOST_LEAD)
        if rival is not None:
            leads = tuple(np.clip(np.subtract(worth[best.words], worth[rival]), -MOST_LEAD, MOST_LEAD - 1).tolist())
        likeliest, other = max(zip(likely[len(found) :], against, strict=True), default=(-math.inf, None))
        if best is found[0] and likeliest > worth[best.words][1] + DISAGREEING:
            rival, leads = other, (min(leads[0], MOST_LEAD - 1), worth[best.words][1] - likeliest)
        said, evidence = _fit(best, leads[0], leads[0])
        known = worth[best.words][1]
        return (
            said,
            rival,
            replace(
                evidence,
                other_lead=leads[1],
                unlikely=max(0.0, impression.likely - known),
                gain=second.gain(best.words, known, unsaid),
                speechless=impression.speechless,
                over_noise=over_noise_db(raw),
            ),
        )

    def _expected(self, written: Words) -> list[Words]:
        """What is weighed in any case if PocketSphinx hears best what the second listener would write itself; nothing
        where that is no reading."""
        assert self._network is not None
        return [written, *self._against(written, written)] if self._network.accepts(written) else []

    def _unheard(self, words: Words, found: Sequence[Reading], costs: Iterable[CostsOfFrame]) -> list[Reading]:
        """What the second listener would write itself, where that is a reading that was not found."""
        assert self._network is not None
        is_reading = self._network.accepts(words) and not isinstance(self._network.meaning(words), NotUnderstood)
        return self._exact([words], costs) if is_reading and words not in {each.words for each in found} else []

    def _against(self, words: Words, written: Words) -> list[Words]:
        """What speaks against these words if the second listener finds it likelier: the readings with one word less,
        and what it would write itself, where that is one; they mean something else."""
        assert self._network is not None
        others = dict.fromkeys([*(words[:at] + words[at + 1 :] for at in range(len(words))), written])
        meaning = self._network.meaning
        return [some for some in others if self._network.accepts(some) and meaning(some) != meaning(words)]

    def _weigh_views(
        self, views: Sequence[Frames], check: Check
    ) -> tuple[tuple[Word, ...], Words | None, Evidence | None]:
        """The one listener scores both views, unless the first knows no other reading."""
        costs = [self._scorer.costs(views[0], check)]
        found = self._readings(costs[0], check)
        check()
        if not found:
            return (), None, None
        if self._rival(found) is not None:
            costs += (self._scorer.costs(view, check) for view in views[1:])
        worth = {each.words: [each.worth] for each in found}
        for of_view in costs[1:]:
            # Readings of that view alone are not taken up: its sound is the worse one.
            again = {each.words: each.worth for each in self._exact(list(worth), of_view)}
            for words, in_each in worth.items():
                in_each.append(again.get(words, min(again.values(), default=0.0) - MOST_LEAD))
        ranked = sorted(found, key=lambda each: sum(worth[each.words]), reverse=True)
        best, rival = ranked[0], self._rival(ranked)
        leads = np.array([MOST_LEAD]) if rival is None else np.subtract(worth[best.words], worth[rival])
        said, evidence = _fit(
            best,
            float(np.mean(np.clip(leads, -MOST_LEAD, MOST_LEAD))),
            float(np.clip(leads.min(), -MOST_LEAD, MOST_LEAD)),
        )
        return said, rival, evidence

    def _readings(
        self,
        costs: Iterable[CostsOfFrame],
        check: Check = unchecked,
        told: Callable[[list[Words]], object] = lambda words: None,
    ) -> list[Reading]:
        """The readings that are weighed, best first: of each meaning the best few wordings. Those that they will
        hardly be more than are `told` beforehand, likeliest first."""
        if self._network is None:
            raise RuntimeError("listen_for comes before hearing")
        found: dict[object, list[Reading]] = {}
        nonsense: list[Reading] = []
        for reading in self._graphs[self._network].readings(costs, SEARCHED):
            meaning = self._network.meaning(reading.words)
            if isinstance(meaning, NotUnderstood):
                nonsense.append(reading)
            elif len(found.setdefault(meaning, [])) < WORDINGS:
                found[meaning].append(reading)
        check()
        likely = sorted(chain.from_iterable(found.values()), key=lambda reading: -reading.worth)[:RESCORED]
        told([each.words for each in likely[:READINGS] if each.worth > likely[0].worth - MOST_BEHIND])
        scored = self._exact([each.words for each in (*likely, *nonsense[:1])], costs)
        sense = [each for each in scored if each.words not in {other.words for other in nonsense[:1]}]
        if len(sense) < len(scored) and (not sense or scored[0].worth > sense[0].worth + NONSENSE_LEAD):
            return scored[: READINGS + 1]
        return [each for each in sense[:READINGS] if each.worth > sense[0].worth - MOST_BEHIND]

    def _exact(self, readings: Sequence[Words], costs: Iterable[CostsOfFrame]) -> list[Reading]:
        return exact(readings, costs, self._phones, self._said, WORD_COST)

    def _rival(self, ranked: Sequence[Reading]) -> Words | None:
        """The best reading that means something else than the first."""
        assert self._network is not None
        meaning = self._network.meaning(ranked[0].words)
        return next((each.words for each in ranked[1:] if self._network.meaning(each.words) != meaning), None)


_Question = tuple[Words, bool]
"""How likely words are: over the sound, or over a hiss."""


class _Judging:
    """The second listener takes in a sound, then judges readings one by one, while PocketSphinx scores and is searched:
    first those that `expected` makes of what it would write itself, then those that are found. What is not begun when
    the block is left, is not done."""

    def __init__(
        self, second: SecondListener, aside: Executor, raw: Frames, expected: Callable[[Words], Sequence[Words]]
    ) -> None:
        self._second = second
        self._aside = aside
        self._expected = expected
        self._asked: dict[_Question, Future[float]] = {}
        self._lock = threading.Lock()
        self._left = False
        # It holds no Python lock while it works; what it asks for waits until it is known itself.
        with self._lock:
            self._taken_in = aside.submit(self._take_in, raw)

    def _take_in(self, raw: Frames) -> Impression:
        impression = self._second.take_in(raw)
        likely = self._expected(as_heard(impression.text))
        self._ask([*((words, False) for words in likely), *((words, True) for words in likely[:1])])
        return impression

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        with self._lock:
            self._left = True
        self._taken_in.cancel()
        self._leave(set())

    def impression(self) -> Impression:
        return self._taken_in.result()

    def begin(self, readings: Sequence[Words]) -> None:
        """The readings that are found, the likeliest first. Where that one was not expected, what was expected and is
        not begun yet is left, so that these come first."""
        found = [(words, False) for words in readings]
        if found and found[0] not in self._asked:
            self._leave(set())
        self._ask(found)

    def of(self, readings: Sequence[Words], over_hiss: Sequence[Words] = ()) -> list[float]:
        """The log likelihood of each reading, and of each over a hiss, in nats, begun or not."""
        wanted = [*((words, True) for words in over_hiss), *((words, False) for words in readings)]
        self._leave(set(wanted))
        # From the last on, towards the one that is being judged meanwhile.
        found = {question: self._answer(question) for question in reversed(dict.fromkeys(wanted))}
        return [found[words, False] for words in readings] + [found[words, True] for words in over_hiss]

    def _ask(self, questions: Sequence[_Question]) -> None:
        with self._lock:
            for question in questions:
                if not self._left and question not in self._asked:
                    self._asked[question] = self._aside.submit(self._judge, question)

    def _leave(self, wanted: set[_Question]) -> None:
        """What else is not begun yet is not wanted any more."""
        with self._lock:
            for question in self._asked.keys() - wanted:
                if self._asked[question].cancel():
                    del self._asked[question]

    def _answer(self, question: _Question) -> float:
        with self._lock:
            judged = self._asked.get(question)
        return self._judge(question) if judged is None or judged.cancel() else judged.result()

    def _judge(self, question: _Question) -> float:
        words, over_hiss = question
        return self._second.judge(self._second.hiss if over_hiss else self.impression(), [words])[0]


def _fit(reading: Reading, lead: float, least_lead: float) -> tuple[tuple[Word, ...], Evidence]:
    """The words of a reading, each with its certainty, and what is measured of them all."""
    gaps = [word.score / word.frames for word in reading.path]
    fit = sum(word.score for word in reading.path) / sum(word.frames for word in reading.path)
    words = tuple(map(_word, reading.path, gaps))
    return words, Evidence(fit, min(gaps), lead, least_lead, len(words))


def _word(said: Spoken, gap: float) -> Word:
    return Word(said.word, said.start / FRAMES_PER_S, (said.end + 1) / FRAMES_PER_S, word_certainty(gap))
