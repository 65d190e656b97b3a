"""A network of words as a graph of phones in their surroundings, across words too, in arrays.

Its nodes are units, phones in their surroundings; they are joined by junctions, each of which gathers the units that
may be followed by the same. The phones of a word between given others make a shape, which is worked out once and laid
wherever the network has the word there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from voicelog.grammar.network import Network
from voicelog.hearing.phones import SILENCE, PhoneModel, Unit

Phones = tuple[str, ...]
Ints = np.ndarray[Any, np.dtype[np.int64]]

Ways = Callable[[str], Sequence[Sequence[str]]]
"""Of a word, each way to say it: its phones."""

NO_WORD = -1
QUIET = 0
"""What a unit ends: no word, a silence, or else the word of that number."""


class PhoneGraph:
    """The graph of `network`; `ways` tells how its words are said.

    Of every unit: its `states`, and what it costs to `stay` in and to `leave` each, shapes (3, units); whether it is
    the `first` of a word; what it `ends`, a number into `words`. `into` lists the junctions that it is entered from,
    `gathered` those that it leads into. Of every junction `fed` lists the units that are entered from it, `out_of`
    those that lead into it. A path begins at one of the junctions `opening`, and ends at the junction `end`.
    """

    def __init__(self, network: Network, model: PhoneModel, ways: Ways) -> None:
        ends = [set[str]() for _ in network.arcs]
        starts = [set[str]() for _ in network.arcs]
        for state, leaving in enumerate(network.arcs):
            for word, to in leaving.items():
                for phones in ways(word):
                    starts[state].add(phones[0])
                    ends[to].add(phones[-1])
        befores = [(*sorted(each), SILENCE) for each in ends]
        afters = [(*sorted(each), SILENCE) for each in starts]
        laid = _Laid(network, model)
        for state, leaving in enumerate(network.arcs):
            for word, to in leaving.items():
                for phones in ways(word):
                    laid.word(state, to, word, tuple(phones), befores[state], afters[to])
            # There may be silence ahead of everything, else none after another.
            if state == 0:
                laid.silence(state, befores[state], afters[state][:-1])
            else:
                laid.silence(state, befores[state][:-1], afters[state])
        self.opening = np.array(sorted(laid.junction(0, SILENCE, phone) for phone in afters[0]), np.int64)
        self.end = laid.end
        self.words = tuple(laid.words)
        self.first, self.ends = np.concatenate(laid.first), np.concatenate(laid.ends)
        kinds = np.concatenate(laid.kinds)
        self.states, self.stay, self.leave = (
            np.array([getattr(unit, name) for unit in laid.table], np.int64).T[:, kinds]
            for name in ("states", "stay", "leave")
        )
        units, junctions = np.concatenate(laid.into, axis=1)
        self.into, self.fed = Lists(units, junctions, len(kinds)), Lists(junctions, units, laid.junctions)
        units, junctions = np.concatenate(laid.out_of, axis=1)
        self.gathered, self.out_of = Lists(units, junctions, len(kinds)), Lists(junctions, units, laid.junctions)

    @property
    def size(self) -> int:
        """Units."""
        return len(self.first)


class Lists:
    """Many short lists of whole numbers in one array, from pairs of a list and what stands in it; each ascending."""

    def __init__(self, which: Ints, what: Ints, lists: int) -> None:
        self._all = what[np.lexsort((what, which))]
        self._lengths = np.bincount(which, minlength=lists)
        self._begins = np.cumsum(self._lengths) - self._lengths

    def __len__(self) -> int:
        return len(self._lengths)

    def __getitem__(self, at: int) -> Ints:
        return self._all[self._begins[at] : self._begins[at] + self._lengths[at]]

    def of(self, which: Ints) -> tuple[Ints, Ints]:
        """What the lists `which` hold, one after the other, and in which of them, counted from 0, each stood."""
        lengths = self._lengths[which]
        of = np.arange(len(which)).repeat(lengths)
        ahead = lengths.cumsum() - lengths
        return self._all[np.arange(len(of)) + (self._begins[which] - ahead)[of]], of


@dataclass(frozen=True, slots=True)
class _Shape:
    """One way to say a word between others: what each unit is, whether it is the first and whether the last, and its
    links. `into` and `out_of`, shapes (2, links), are pairs of a unit and a junction; of the junctions the first
    stand for what may come before, those behind them for what may come after, and the rest lie `within`."""

    kinds: Ints
    first: np.ndarray[Any, np.dtype[np.bool_]]
    last: np.ndarray[Any, np.dtype[np.bool_]]
    into: Ints
    out_of: Ints
    within: int


class _Laid:
    """A graph while it grows."""

    def __init__(self, network: Network, model: PhoneModel) -> None:
        self._finals = network.finals
        self._model = model
        self.table: dict[Unit, int] = {}
        """Units of different states, by number."""
        self.words: dict[str, int] = {"": QUIET}
        self.kinds: list[Ints] = []
        self.first: list[np.ndarray[Any, np.dtype[np.bool_]]] = []
        self.ends: list[Ints] = []
        self.into: list[Ints] = []
        self.out_of: list[Ints] = []
        self._units = 0
        self.end = 0
        self.junctions = 1
        self._between: dict[tuple[int, str, str], int] = {}
        self._shapes: dict[tuple[Phones, Phones, Phones], _Shape] = {}

    def junction(self, state: int, before: str, after: str) -> int:
        """The junction at a state of the network between two phones."""
        number = self._between.setdefault((state, before, after), self.junctions)
        self.junctions = max(self.junctions, number + 1)
        return number

    def word(self, here: int, to: int, word: str, phones: Phones, befores: Phones, afters: Phones) -> None:
        number = self.words.setdefault(word, len(self.words))
        self._lay((here, to), number, phones, befores, afters)

    def silence(self, state: int, befores: Phones, afters: Phones) -> None:
        self._lay((state, state), QUIET, (SILENCE,), befores, afters)

    def _lay(self, states: tuple[int, int], word: int, phones: Phones, befores: Phones, afters: Phones) -> None:
        here, to = states
        key = (phones, befores, afters)
        if key not in self._shapes:
            self._shapes[key] = self._shape(*key)
        shape = self._shapes[key]
        outer = [
            *(self.junction(here, before, phones[0]) for before in befores),
            *(self.junction(to, phones[-1], after) for after in afters),
        ]
        inner = np.arange(self.junctions, self.junctions + shape.within)
        self.junctions += shape.within
        places = np.concatenate((np.array(outer, np.int64), inner))
        self.into.append(np.stack((shape.into[0] + self._units, places[shape.into[1]])))
        self.out_of.append(np.stack((shape.out_of[0] + self._units, places[shape.out_of[1]])))
        if to in self._finals and afters[-1] == SILENCE:
            ending = shape.out_of[0][shape.out_of[1] == len(outer) - 1] + self._units
            self.out_of.append(np.stack((ending, np.full(len(ending), self.end))))
        self.kinds.append(shape.kinds)
        self.first.append(shape.first)
        self.ends.append(np.where(shape.last, word, NO_WORD))
        self._units += len(shape.kinds)

    def _shape(self, phones: Phones, befores: Phones, afters: Phones) -> _Shape:
        """As many copies of the phones as the first of them has forms.

        A copy that stood for several would carry on the best of them alone, and where the words before it ended
        otherwise, a rival would be lost.
        """
        made = _Making(self.table, len(befores) + len(afters))
        ahead, last, of = len(befores), len(phones) - 1, self._model.unit
        copies = set[Unit]()
        for number, before in enumerate(befores):
            if last == 0:
                for other, after in enumerate(afters, ahead):
                    alone = of(phones[0], before, after, "inside" if phones[0] == SILENCE else "single")
                    made.link(number, ("alone",), alone, other, first=True, last=True)
                continue
            form = of(phones[0], before, phones[1], "begin")
            made.link(number, (form, 0), form, (form, 1), first=True)
            if form in copies:
                continue
            copies.add(form)
            for at in range(1, last):
                inside = of(phones[at], phones[at - 1], phones[at + 1], "inside")
                made.link((form, at), (form, at), inside, (form, at + 1))
            for other, after in enumerate(afters, ahead):
                ending = of(phones[last], phones[last - 1], after, "end")
                made.link((form, last), (form, last), ending, other, last=True)
        return made.shape()


Place = int | tuple[Unit, int]


class _Making:
    """A shape while it grows: units, each made once, and links, each laid once."""

    def __init__(self, table: dict[Unit, int], outer: int) -> None:
        self._table = table
        self._outer = outer
        self._inner: dict[Place, int] = {}
        self._units: dict[tuple[object, Unit], int] = {}
        self._kinds: list[tuple[int, bool, bool]] = []
        self._into: dict[tuple[int, int], None] = {}
        self._out_of: dict[tuple[int, int], None] = {}

    def link(self, come: Place, key: object, unit: Unit, go: Place, *, first: bool = False, last: bool = False) -> None:
        """The unit of that key and those states, entered from one junction and leading into another."""
        number = self._units.setdefault((key, unit), len(self._units))
        if number == len(self._kinds):
            self._kinds.append((self._table.setdefault(unit, len(self._table)), first, last))
        self._into[number, self._junction(come)] = None
        self._out_of[number, self._junction(go)] = None

    def _junction(self, place: Place) -> int:
        if isinstance(place, int):
            return place
        return self._inner.setdefault(place, self._outer + len(self._inner))

    def shape(self) -> _Shape:
        kinds, first, last = np.array(self._kinds, np.int64).T
        into, out_of = (np.array(list(links), np.int64).T for links in (self._into, self._out_of))
        return _Shape(kinds, first == 1, last == 1, into, out_of, len(self._inner))
