"""The best readings of a network over a sound, in order: what a decoder that prunes hard cannot tell.

A network of words becomes a graph of phones in their surroundings, across words too. Its states are followed through
every frame (Viterbi 1967), all that lie within `_BEAM` of the best; then the readings come out best first, by a
search backwards whose estimate of the rest is exact (Soong and Huang 1991, "A tree-trellis based fast search for
finding the N best sentence hypotheses"). When a word began is known only for the best way into its surroundings; a
reading further down may thus score a little less than it could, or be missing where it is very short.

Scores are whole numbers in units of `NATS`. While states are followed, a score is the upper half of 64 bits, and the
lower half tells where the word began: the greater of two carries its beginning along.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import count

import numpy as np

from voicelog.grammar.network import Network
from voicelog.hearing.phones import NATS, SILENCE, STATES, Costs, PhoneModel, Position, Unit

Words = tuple[str, ...]
Ints = np.ndarray[tuple[int, ...], np.dtype[np.int64]]

SILENCE_COST = 5.0
"""Nats for a silence between words."""

_BEAM = 130.0
"""Nats: what is so far behind the best of its frame is given up."""

_MOST_STEPS = 4000
"""Beginnings looked at in the search backwards."""

_LOW = 32
_HIGH = ~((1 << _LOW) - 1)
_NEVER = -(1 << 61)
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


@dataclass(frozen=True, slots=True)
class Reading:
    """Words along the network and how well they fit, in nats, each word's cost taken off."""

    path: tuple[Spoken, ...]
    worth: float

    @property
    def words(self) -> Words:
        return tuple(each.word for each in self.path)


class _Builder:
    """Units and junctions of a graph while it grows. A junction gathers units that may be followed by the same."""

    def __init__(self) -> None:
        self.units: list[Unit] = []
        self.words: list[str | None] = []
        """Of a word's last unit and of a silence (""), what it ends; None inside a word."""
        self.first: list[bool] = []
        self.into: list[dict[int, None]] = []
        """By unit: the junctions that it is entered from."""
        self.junctions: dict[object, int] = {}
        self.out_of: list[dict[int, None]] = []
        """By junction: the units that lead into it."""
        self._shared: dict[object, int] = {}

    def junction(self, key: object) -> int:
        if key not in self.junctions:
            self.junctions[key] = len(self.out_of)
            self.out_of.append({})
        return self.junctions[key]

    def unit(self, key: object, unit: Unit, *, word: str | None, first: bool) -> int:
        """The unit of that key and those states, made where it is new."""
        key = (key, unit)
        if key not in self._shared:
            self._shared[key] = len(self.units)
            self.units.append(unit)
            self.words.append(word)
            self.first.append(first)
            self.into.append({})
        return self._shared[key]

    def enter(self, unit: int, junction: int) -> None:
        self.into[unit][junction] = None

    def leave(self, unit: int, junction: int) -> None:
        self.out_of[junction][unit] = None


Ways = Callable[[str], Sequence[Sequence[str]]]
"""Of a word, each way to say it: its phones."""


class Graph:
    """A network of words as phones. `ways` tells how words are said; every word costs `word_cost` nats."""

    def __init__(self, network: Network, model: PhoneModel, ways: Ways, word_cost: float) -> None:
        made = _Builder()
        ends = [set[str]() for _ in network.arcs]
        starts = [set[str]() for _ in network.arcs]
        for state, leaving in enumerate(network.arcs):
            for word, to in leaving.items():
                for phones in ways(word):
                    starts[state].add(phones[0])
                    ends[to].add(phones[-1])
        for state, leaving in enumerate(network.arcs):
            befores = (*sorted(ends[state]), SILENCE)
            for word, to in leaving.items():
                afters = (*sorted(starts[to]), SILENCE)
                for number, phones in enumerate(ways(word)):
                    _add_word(made, model, (state, to), word, number, tuple(phones), befores, afters)
            silence = made.unit(("silence", state), _silence(model), word="", first=True)
            for phone in ends[state]:
                made.enter(silence, made.junction((state, phone, SILENCE)))
            for phone in starts[state]:
                made.leave(silence, made.junction((state, SILENCE, phone)))
        made.enter(
            made.unit(("silence", 0), _silence(model), word="", first=True), made.junction((0, SILENCE, SILENCE))
        )
        self._at_start = {made.junction((0, SILENCE, phone)) for phone in (*starts[0], SILENCE)}
        end = made.junction("end")
        for state in network.finals:
            for phone in ends[state]:
                for unit in made.out_of[made.junction((state, phone, SILENCE))]:
                    made.leave(unit, end)
            if state != 0:
                made.leave(made.unit(("silence", state), _silence(model), word="", first=True), end)
        self._end = end
        self._arrange(made, word_cost)

    def _arrange(self, made: _Builder, word_cost: float) -> None:
        self._words = made.words
        self._states = np.array([unit.states for unit in made.units]).T.copy()
        self._stay = np.array([unit.stay for unit in made.units], np.int64).T << _LOW
        self._leave = np.array([unit.leave for unit in made.units], np.int64).T << _LOW
        self._first = np.array(made.first)
        self._ends_word = np.array([word is not None for word in made.words])
        self._into = _Lists(made.into)
        self._fed = _Lists(_turned(made.into, len(made.out_of)))
        self._out_of = [np.array(sorted(units), np.int64) for units in made.out_of]
        self._gathered = _Lists(_turned(made.out_of, len(made.units)))
        self._opening = np.array(sorted(self._at_start), np.int64)
        self.entry_cost = np.where(self._first, round(word_cost / NATS), 0)
        self.entry_cost[[word == "" for word in made.words]] = round(SILENCE_COST / NATS)

    @property
    def size(self) -> int:
        """Units."""
        return len(self._words)

    def readings(self, costs: Costs, most: int) -> list[Reading]:
        """Up to so many readings with different words, best first; none where the sound is too short for any."""
        return _Backwards(self, *self._follow(costs)).readings(most)

    def _follow(self, costs: Costs) -> tuple[list[Ints], list[Ints]]:
        """By frame: the units that end a word or a silence there, and their scores with where it began."""
        size = self.size
        scores = np.full((STATES, size), _NEVER, np.int64)
        entered = np.full(size, _NEVER, np.int64)
        reached = np.full(len(self._out_of), _NEVER, np.int64)
        beam = round(_BEAM / NATS) << _LOW
        entry_cost = self.entry_cost << _LOW
        junctions, worth = self._opening, np.zeros(len(self._opening), np.int64)
        active: Ints = np.zeros(0, np.int64)
        ends, worths = [], []
        for frame, row in enumerate(costs):
            units, which = self._fed.of(junctions)
            came = worth[which]
            first = self._first[units]
            begun = units[first]
            came[first] = (came[first] & _HIGH) - entry_cost[begun] + (frame * size + begun)
            np.maximum.at(entered, units, came)
            active = _united(active, units, size)
            before = scores[:, active]
            now = before - self._stay[:, active]
            before -= self._leave[:, active]
            np.maximum(now[0], entered[active], out=now[0])
            np.maximum(now[1:], before[:-1], out=now[1:])
            now -= (row.astype(np.int64) << _LOW)[self._states[:, active]]
            entered[units] = _NEVER
            least = now.max() - beam
            alive = now.max(0) > least
            scores[:, active] = np.where(alive, now, _NEVER)
            active = active[alive]
            left = now[-1, alive] - self._leave[-1, active]
            out = left > least
            leaving, left = active[out], left[out]
            word_end = self._ends_word[leaving]
            ends.append(leaving[word_end])
            worths.append(left[word_end])
            into, which = self._gathered.of(leaving)
            np.maximum.at(reached, into, left[which])
            junctions = np.unique(into)
            worth = reached[junctions]
            reached[junctions] = _NEVER
        return ends, worths


class _Lists:
    """Many short lists of whole numbers in one array."""

    def __init__(self, lists: Sequence[Iterable[int]]) -> None:
        given = [np.array(sorted(each), np.int64) for each in lists]
        self._lengths = np.array([len(each) for each in given], np.int64)
        self._begins = np.cumsum(self._lengths) - self._lengths
        self._all = np.concatenate(given)

    def __getitem__(self, at: int) -> Ints:
        return self._all[self._begins[at] : self._begins[at] + self._lengths[at]]

    def of(self, which: Ints) -> tuple[Ints, Ints]:
        """What the lists `which` hold, one after the other, and in which of them, counted from 0, each stood."""
        lengths = self._lengths[which]
        of = np.repeat(np.arange(len(which)), lengths)
        ahead = np.cumsum(lengths) - lengths
        return self._all[np.arange(len(of)) + (self._begins[which] - ahead)[of]], of


def _turned(lists: Sequence[Iterable[int]], length: int) -> list[list[int]]:
    """Of each number, in which lists it stands."""
    turned: list[list[int]] = [[] for _ in range(length)]
    for at, each in enumerate(lists):
        for number in each:
            turned[number].append(at)
    return turned


def _united(a: Ints, b: Ints, size: int) -> Ints:
    there = np.zeros(size, bool)
    there[a] = True
    there[b] = True
    return np.flatnonzero(there)


def _silence(model: PhoneModel) -> Unit:
    return model.unit(SILENCE, SILENCE, SILENCE, "inside")


def _add_word(
    made: _Builder,
    model: PhoneModel,
    states: tuple[int, int],
    word: str,
    number: int,
    phones: Words,
    befores: Sequence[str],
    afters: Sequence[str],
) -> None:
    """One way to say a word from one state of the network to another."""
    here, to = states
    last = len(phones) - 1
    for at, phone in enumerate(phones):
        place: Position = "single" if last == 0 else "begin" if at == 0 else "end" if at == last else "inside"
        for before in befores if at == 0 else (phones[at - 1],):
            for after in afters if at == last else (phones[at + 1],):
                unit = made.unit(
                    (here, word, number, at),
                    model.unit(phone, before, after, place),
                    word=word if at == last else None,
                    first=at == 0,
                )
                came = (here, before, phone) if at == 0 else (here, word, number, at)
                goes = (to, phone, after) if at == last else (here, word, number, at + 1)
                made.enter(unit, made.junction(came))
                made.leave(unit, made.junction(goes))


@dataclass(order=True, slots=True)
class _Suffix:
    """The end of a reading, from a junction at the end of a frame; the worth with the best of all beginnings."""

    behind: int
    tie: int
    junction: int = field(compare=False)
    frame: int = field(compare=False)
    worth: int = field(compare=False)
    path: tuple[Spoken, ...] = field(compare=False)


class _Backwards:
    """From the end of the sound back to its start, best first."""

    def __init__(self, graph: Graph, ends: list[Ints], worths: list[Ints]) -> None:
        self._graph = graph
        self._ends = ends
        self._worths = worths
        self._ways: dict[tuple[int, int], tuple[Ints, Ints]] = {}

    def readings(self, most: int) -> list[Reading]:
        graph = self._graph
        found: dict[Words, Reading] = {}
        ties = count()
        seen = set[tuple[int, Words]]()
        last = len(self._ends) - 1
        if last < 0 or not len(self._into(graph._end, last)[0]):
            return []
        heap = [_Suffix(0, next(ties), graph._end, last, 0, ())]
        for _ in range(_MOST_STEPS):
            if not heap or len(found) == most:
                break
            suffix = heapq.heappop(heap)
            words = tuple(each.word for each in suffix.path)
            if suffix.junction == _START:
                found.setdefault(words, Reading(suffix.path, suffix.worth * NATS))
                continue
            if (suffix.junction, words) in seen:
                continue
            seen.add((suffix.junction, words))
            for item in self._longer(suffix, ties):
                heapq.heappush(heap, item)
        return list(found.values())

    def _longer(self, suffix: _Suffix, ties: Iterable[int]) -> Iterable[_Suffix]:
        graph = self._graph
        tie = iter(ties)
        for unit, packed in zip(*self._into(suffix.junction, suffix.frame), strict=True):
            score, token = int(packed) >> _LOW, int(packed) & ((1 << _LOW) - 1)
            start, first = divmod(token, graph.size)
            entry = int(graph.entry_cost[first])
            ways = [(before, self._best(before, start - 1)) for before in graph._into[first].tolist()]
            best = max(worth for _, worth in ways)
            word = graph._words[unit]
            gained = score - (best - entry)
            path = suffix.path
            if word:
                path = (Spoken(word, start, suffix.frame, gained * NATS), *path)
            worth = suffix.worth + gained - entry
            for before, prefix in ways:
                if prefix == _NEVER:
                    continue
                place = _START if start == 0 else before
                yield _Suffix(-(worth + prefix), next(tie), place, start - 1, worth, path)

    def _best(self, junction: int, frame: int) -> int:
        if frame < 0:
            return 0 if junction in self._graph._at_start else _NEVER
        worths = self._into(junction, frame)[1]
        return int(worths.max()) >> _LOW if len(worths) else _NEVER

    def _into(self, junction: int, frame: int) -> tuple[Ints, Ints]:
        """The units that lead into a junction at the end of a frame, and their scores."""
        key = (junction, frame)
        if key not in self._ways:
            units, ends = self._graph._out_of[junction], self._ends[frame]
            at = np.minimum(np.searchsorted(ends, units), max(len(ends) - 1, 0))
            there = ends[at] == units if len(ends) else np.zeros(len(units), bool)
            self._ways[key] = units[there], self._worths[frame][at[there]]
        return self._ways[key]
