"""The best readings of a network over a sound, in order: what a decoder that prunes hard cannot tell.

A network of words becomes a graph of phones in their surroundings, across words too. Its states are followed through
every frame (Viterbi 1967), all that lie within `BEAM` of the best; then the readings come out best first, by a
search backwards whose estimate of the rest is exact (Soong and Huang 1991, "A tree-trellis based fast search for
finding the N best sentence hypotheses"). When a word began is known only for the best way to it in its surroundings,
so that readings further down score less than they could, now and then by 60 nats. `exact` scores those that came out
again, each by itself; it is their order and their distance that count.

Scores are whole numbers in units of `NATS`. While states are followed, a score is the upper half of 64 bits, and the
lower half tells where the word began: the greater of two carries its beginning along.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np

from voicelog.grammar.network import Network, tree
from voicelog.hearing.phone_graph import NO_WORD, QUIET, Ints, Lists, PhoneGraph, Ways
from voicelog.hearing.phones import NATS, STATES, CostsOfFrame, PhoneModel

Words = tuple[str, ...]

SILENCE_COST = 5.0
"""Nats for a silence between words."""

BEAM = 160.0
WORD_BEAM = 130.0
"""Nats: what is so far behind the best of its frame is given up, and at the end of a word, where many others begin."""

_MOST_STEPS = 4000
"""Beginnings looked at in the search backwards."""

_FEW = 4
"""Units that are given up are taken out where they are more than one in so many."""

_LOW = 32
_HIGH = ~((1 << _LOW) - 1)
_NEVER = -(1 << 61)
_LOST = -(1 << 60)
"""No way that can be gone scores so little: over a thousand frames not a thousandth of it comes together."""

_START = -1
"""Stands for the way in at the start."""


@dataclass(frozen=True, slots=True)
class Spoken:
    """A word of a path: frames from `start` to `end` inclusive, acoustic score in nats, never above 0."""

    word: str
    start: int
    end: int
    score: float

    @property
    def frames(self) -> int:
        return self.end - self.start + 1

    @property
    def is_word(self) -> bool:
        """Not so of silence and noise, as PocketSphinx writes them."""
        return self.word[:1] not in ("<", "[", "+")


@dataclass(frozen=True, slots=True)
class Reading:
    """Words along the network and how well they fit, in nats, each word's cost taken off."""

    path: tuple[Spoken, ...]
    worth: float

    @property
    def words(self) -> Words:
        return tuple(each.word for each in self.path)


class _Followed:
    """The units of a graph that are followed, and their scores, shape (states, units), side by side: looked up in the
    whole graph in every frame they would cost twice the time."""

    def __init__(self, graph: Graph) -> None:
        self._graph = graph
        self.units: Ints = np.zeros(0, np.int64)
        self.ends_word = np.zeros(0, bool)
        self.scores = self._stay = self.leave = self._states = np.zeros((STATES, 0), np.int64)

    def add(self, units: Ints) -> None:
        graph = self._graph
        self.units = np.concatenate((self.units, units))
        self.ends_word = np.concatenate((self.ends_word, graph.ends_word[units]))
        self.scores = np.concatenate((self.scores, np.full((STATES, len(units)), _NEVER)), 1)
        self._stay = np.concatenate((self._stay, graph.stay[:, units]), 1)
        self.leave = np.concatenate((self.leave, graph.leave[:, units]), 1)
        self._states = np.concatenate((self._states, graph.phones.states[:, units]), 1)

    def step(self, entered: Ints, costs: CostsOfFrame) -> Ints:
        """The scores a frame later, with those at which units are entered, by unit of the graph."""
        now = self.scores - self._stay
        left = self.scores - self.leave
        np.maximum(now[0], entered[self.units], out=now[0])
        np.maximum(now[1:], left[:-1], out=now[1:])
        now -= (costs.astype(np.int64) << _LOW).take(self._states)
        return now

    def keep(self, scores: Ints, alive: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Ints:
        """Go on with these scores of the units that are alive. Returns the units that were taken out: a few that are
        not alive may stay, for taking out costs more."""
        dead = ~alive
        if np.count_nonzero(dead) * _FEW <= len(dead):
            scores[:, dead] = _NEVER
            self.scores = scores
            return self.units[:0]
        given_up, kept = self.units[dead], alive.nonzero()[0]
        self.units, self.ends_word, self.scores = self.units[kept], self.ends_word[kept], scores.take(kept, 1)
        self._stay, self.leave, self._states = (each.take(kept, 1) for each in (self._stay, self.leave, self._states))
        return given_up


class Graph:
    """A network of words to be searched. Every word costs `word_cost` nats; what is behind by more than `beams` is
    given up."""

    def __init__(
        self,
        network: Network,
        model: PhoneModel,
        ways: Ways,
        word_cost: float,
        beams: tuple[float, float] = (BEAM, WORD_BEAM),
    ) -> None:
        self._beam, self._word_beam = (round(beam / NATS) << _LOW for beam in beams)
        self.phones = PhoneGraph(network, model, ways)
        self.stay, self.leave = self.phones.stay << _LOW, self.phones.leave << _LOW
        self.ends_word = self.phones.ends != NO_WORD
        costs = np.where(self.phones.ends == QUIET, round(SILENCE_COST / NATS), round(word_cost / NATS))
        self.entry_cost = np.where(self.phones.first, costs, 0)

    def readings(self, costs: Iterable[CostsOfFrame], most: int) -> list[Reading]:
        """Up to so many readings with different words, best first; none where the sound is too short for any."""
        return _Backwards(self, *self._follow(costs)).readings(most)

    def all_readings(self, costs: Iterable[CostsOfFrame], most: int) -> list[Reading]:
        """The same with no beam: for small networks, where that takes less time too."""
        return _Backwards(self, *self._follow_all(costs)).readings(most)

    def _follow_all(self, costs: Iterable[CostsOfFrame]) -> tuple[list[Ints], list[Ints]]:
        """As `_follow`, of every unit in every frame."""
        phones = self.phones
        left = _Most(phones.out_of)
        came = _Most(phones.into)
        first, ending = phones.first.nonzero()[0], self.ends_word.nonzero()[0]
        entry_cost = (self.entry_cost << _LOW)[first]
        worth = np.full(len(phones.out_of), _NEVER, np.int64)
        worth[phones.opening] = 0
        scores = np.full((STATES, phones.size), _NEVER, np.int64)
        worths = []
        for frame, row in enumerate(costs):
            entered = came.of(worth)
            begun = entered[first]
            entered[first] = (begun & _HIGH) - entry_cost + (frame * phones.size + first)
            now = scores - self.stay
            on = scores - self.leave
            np.maximum(now[0], entered, out=now[0])
            np.maximum(now[1:], on[:-1], out=now[1:])
            now -= (row.astype(np.int64) << _LOW).take(phones.states)
            scores = now
            leaving = now[-1] - self.leave[-1]
            worths.append(leaving[ending])
            worth = left.of(leaving)
        return [ending] * len(worths), worths

    def _follow(self, costs: Iterable[CostsOfFrame]) -> tuple[list[Ints], list[Ints]]:
        """By frame: the units that end a word or a silence there, and their scores with where it began."""
        phones, size = self.phones, self.phones.size
        entered = np.full(size, _NEVER, np.int64)
        reached = np.full(len(phones.out_of), _NEVER, np.int64)
        entry_cost = self.entry_cost << _LOW
        junctions, worth = phones.opening, np.zeros(len(phones.opening), np.int64)
        followed = _Followed(self)
        is_active = np.zeros(size, bool)
        place = np.zeros(max(size, len(phones.out_of)), np.int64)
        ends, worths = [], []
        for frame, row in enumerate(costs):
            units, which = phones.fed.of(junctions)
            came = worth[which]
            first = phones.first[units]
            begun = units[first]
            came[first] = (came[first] & _HIGH) - entry_cost[begun] + (frame * size + begun)
            np.maximum.at(entered, units, came)
            fresh = _each_once(units[~is_active[units]], place)
            if len(fresh):
                is_active[fresh] = True
                followed.add(fresh)
            now = followed.step(entered, row)
            entered[units] = _NEVER
            most = now.max(0)
            best = most.max()
            least = best - self._beam
            alive = most > least
            given_up = followed.keep(now, alive)
            is_active[given_up] = False
            left = followed.scores[-1] - followed.leave[-1]
            out = (left > np.where(followed.ends_word, best - self._word_beam, least)).nonzero()[0]
            leaving, left = followed.units[out], left[out]
            word_end = followed.ends_word[out].nonzero()[0]
            word_end = word_end[leaving[word_end].argsort()]
            ends.append(leaving[word_end])
            worths.append(left[word_end])
            into, which = phones.gathered.of(leaving)
            np.maximum.at(reached, into, left[which])
            junctions = _each_once(into, place)
            worth = reached[junctions]
            reached[junctions] = _NEVER
        return ends, worths


def exact(
    readings: Sequence[Words], costs: Iterable[CostsOfFrame], model: PhoneModel, ways: Ways, word_cost: float
) -> list[Reading]:
    """Each of these readings with the score that it has by itself, best first; less those that the sound is too short
    for. The rest as for `Graph`."""
    if not readings:
        return []
    # Where every state has one way to it, no word has rivals for its beginning.
    graph = Graph(tree(readings), model, ways, word_cost)
    return graph.all_readings(costs, len(readings))


class _Most:
    """The greatest score in each of many lists; of an empty one, `_NEVER`."""

    def __init__(self, lists: Lists) -> None:
        self._what, which = lists.of(np.arange(len(lists)))
        self._full, self._begins = np.unique(which, return_index=True)
        self._lists = len(lists)

    def of(self, scores: Ints) -> Ints:
        """`scores` by what stands in the lists; one by list comes back."""
        most = np.full(self._lists, _NEVER, np.int64)
        most[self._full] = np.maximum.reduceat(scores[self._what], self._begins)
        return most


def _each_once(numbers: Ints, place: Ints) -> Ints:
    """The same numbers without repetition, in whatever order; `place`, one cell for each number there is, is
    overwritten. A sort took twice as long."""
    at = np.arange(len(numbers))
    place[numbers] = at
    once: Ints = numbers[place[numbers] == at]
    return once


_Piece = tuple[str, int, int, int]
"""A word of a path as in `Spoken`, its score in `NATS` units."""

_Suffix = tuple[int, int, int, int, int, Words, tuple[_Piece, ...]]
"""The end of a reading: how far it is behind with the best of all beginnings, a number that no other has, the junction
at the end of a frame from which it goes on, that frame, its worth, its words and its path. A tuple, since thousands
are compared."""


class _Backwards:
    """From the end of the sound back to its start, best first."""

    def __init__(self, graph: Graph, ends: list[Ints], worths: list[Ints]) -> None:
        self._graph = graph
        self._ends = ends
        self._worths = worths
        self._ways: dict[tuple[int, int], list[tuple[int, int, int, str]]] = {}
        self._bests: dict[tuple[int, int], int] = {}
        self._before: dict[int, tuple[int, list[int]]] = {}

    def readings(self, most: int) -> list[Reading]:
        graph = self._graph.phones
        found: dict[Words, Reading] = {}
        seen = set[tuple[int, Words]]()
        last = len(self._ends) - 1
        if last < 0 or not self._into(graph.end, last):
            return []
        ties = count(1)
        heap: list[_Suffix] = [(0, 0, graph.end, last, 0, (), ())]
        for _ in range(_MOST_STEPS):
            if not heap or len(found) == most:
                break
            _, _, junction, frame, worth, words, path = heapq.heappop(heap)
            if junction == _START:
                if words not in found:
                    spoken = (Spoken(word, start, end, score * NATS) for word, start, end, score in path)
                    found[words] = Reading(tuple(spoken), worth * NATS)
                continue
            if (junction, words) in seen:
                continue
            seen.add((junction, words))
            for score, start, first, word in self._into(junction, frame):
                entry, before = self._entry(first)
                prefixes = [self._best(each, start - 1) for each in before]
                gained = score - (max(prefixes) - entry)
                longer = worth + gained - entry
                words_now, path_now = words, path
                if word:
                    words_now, path_now = (word, *words), ((word, start, frame, gained), *path)
                for each, prefix in zip(before, prefixes, strict=True):
                    if prefix != _NEVER:
                        place = _START if start == 0 else each
                        suffix = (-(longer + prefix), next(ties), place, start - 1, longer, words_now, path_now)
                        heapq.heappush(heap, suffix)
        return list(found.values())

    def _entry(self, first: int) -> tuple[int, list[int]]:
        """Of the first unit of a word: what it costs to enter it, and the junctions that it is entered from."""
        if first not in self._before:
            self._before[first] = int(self._graph.entry_cost[first]), self._graph.phones.into[first].tolist()
        return self._before[first]

    def _best(self, junction: int, frame: int) -> int:
        if frame < 0:
            return 0 if junction in self._graph.phones.opening else _NEVER
        key = (junction, frame)
        if key not in self._bests:
            self._bests[key] = max((score for score, *_ in self._into(junction, frame)), default=_NEVER)
        return self._bests[key]

    def _into(self, junction: int, frame: int) -> list[tuple[int, int, int, str]]:
        """The words and silences that lead into a junction at the end of a frame: each one's score with the best way
        to it, the frame at which it began, its first unit, and what it is, nothing for a silence."""
        key = (junction, frame)
        if key not in self._ways:
            graph = self._graph.phones
            units, ends = graph.out_of[junction], self._ends[frame]
            at = np.minimum(np.searchsorted(ends, units), max(len(ends) - 1, 0))
            there = ends[at] == units if len(ends) else np.zeros(len(units), bool)
            packed = self._worths[frame][at[there]]
            words = graph.ends[units[there]].tolist()
            self._ways[key] = [
                (worth >> _LOW, *divmod(worth & ((1 << _LOW) - 1), graph.size), graph.words[word])
                for worth, word in zip(packed.tolist(), words, strict=True)
                if worth > _LOST
            ]
        return self._ways[key]
