"""What may be said in one dialogue state, as a network of words.

One network serves all three who need the wording: a recogniser decodes along
its arcs, the parser follows them to the meaning, and whoever asks how a half
said call may go on looks at the arcs that leave its state.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from voicelog.grammar.misheard import Misheard


@dataclass(frozen=True, eq=False)
class Network:
    """A deterministic automaton over words.

    `arcs[state]` maps a word to the next state; states are 0..len(arcs)-1, the
    start is 0; `finals` are the states where an utterance may end. `meaning`
    tells what words say: two wordings with equal meanings are no rivals.
    `misheard` are the wordings known to be heard for others.
    """

    arcs: tuple[dict[str, int], ...]
    finals: frozenset[int]
    meaning: Callable[[Sequence[str]], object] = tuple
    misheard: Misheard = field(default_factory=Misheard)

    @cached_property
    def words(self) -> frozenset[str]:
        """Every word that may be said."""
        return frozenset(word for leaving in self.arcs for word in leaving)

    def pairs(self) -> frozenset[tuple[str, str]]:
        """Which word may follow which."""
        return frozenset(
            (word, following)
            for leaving in self.arcs
            for word, state in leaving.items()
            for following in self.arcs[state]
        )

    def walk(self, words: Iterable[str], state: int = 0) -> int | None:
        """The state after `words` said from `state` on, None where they leave the network."""
        for word in words:
            following = self.arcs[state].get(word)
            if following is None:
                return None
            state = following
        return state

    def accepts(self, words: Sequence[str]) -> bool:
        """Whether `words` are a whole utterance."""
        return self.walk(words) in self.finals

    def holds(self, words: Sequence[str]) -> bool:
        """Whether `words` may follow one another somewhere in an utterance."""
        return any(self.walk(words, state) is not None for state in range(len(self.arcs)))


def without_blind_alleys(arcs: Sequence[dict[str, int]], finals: frozenset[int]) -> list[dict[str, int]]:
    """The arcs less those to states from which no utterance can end."""
    into: list[list[int]] = [[] for _ in arcs]
    for state, leaving in enumerate(arcs):
        for to in leaving.values():
            into[to].append(state)
    alive, todo = set(finals), list(finals)
    while todo:
        for state in into[todo.pop()]:
            if state not in alive:
                alive.add(state)
                todo.append(state)
    return [{word: to for word, to in leaving.items() if to in alive} for leaving in arcs]


def minimal(arcs: Sequence[dict[str, int]], finals: frozenset[int]) -> Network:
    """The smallest network that accepts the same utterances (Moore's partition refinement)."""
    block = [int(state in finals) for state in range(len(arcs))]
    leaving = [sorted(each) for each in arcs]
    alike: dict[tuple[str, ...], int] = {}
    said = [alike.setdefault(tuple(words), len(alike)) for words in leaving]
    targets = [[each[word] for word in words] for each, words in zip(arcs, leaving, strict=True)]
    while True:
        signatures: dict[tuple[int, int, tuple[int, ...]], int] = {}
        refined = [
            signatures.setdefault((block[state], said[state], tuple([block[to] for to in tos])), len(signatures))
            for state, tos in enumerate(targets)
        ]
        if len(signatures) == len(set(block)):
            break
        block = refined
    member = {block[state]: state for state in range(len(arcs))}
    # Numbered as they are reached, so that state 0 stays the start and what nothing leads to is left out.
    number = {block[0]: 0}
    merged: list[dict[str, int]] = []
    for at in (todo := [block[0]]):
        for to in arcs[member[at]].values():
            if block[to] not in number:
                number[block[to]] = len(number)
                todo.append(block[to])
        merged.append({word: number[block[to]] for word, to in arcs[member[at]].items()})
    return Network(tuple(merged), frozenset(number[block[state]] for state in finals if block[state] in number))


def only(said: Iterable[Sequence[str]]) -> Network:
    """The smallest network of these utterances and no other."""
    arcs, ends = _trie(said)
    return minimal(arcs, frozenset(ends))


def tree(said: Iterable[Sequence[str]]) -> Network:
    """The same, shared as far as utterances begin alike and no further: every state has one way to it."""
    arcs, ends = _trie(said)
    return Network(tuple(arcs), frozenset(ends))


def either(a: Network, b: Network) -> Network:
    """The network of every utterance of one or the other."""
    first: tuple[int | None, int | None] = (0, 0)
    number = {first: 0}
    arcs: list[dict[str, int]] = [{}]
    finals: set[int] = set()
    todo = [first]
    while todo:
        pair = todo.pop()
        leaving = [{} if at is None else net.arcs[at] for at, net in zip(pair, (a, b), strict=True)]
        if any(at is not None and at in net.finals for at, net in zip(pair, (a, b), strict=True)):
            finals.add(number[pair])
        for word in leaving[0].keys() | leaving[1].keys():
            target = (leaving[0].get(word), leaving[1].get(word))
            if target not in number:
                number[target] = len(arcs)
                arcs.append({})
                todo.append(target)
            arcs[number[pair]][word] = number[target]
    return minimal(arcs, frozenset(finals))


def _trie(said: Iterable[Sequence[str]]) -> tuple[list[dict[str, int]], set[int]]:
    trie: list[dict[str, int]] = [{}]
    ends: set[int] = set()
    for words in said:
        node = 0
        for word in words:
            if word not in trie[node]:
                trie[node][word] = len(trie)
                trie.append({})
            node = trie[node][word]
        ends.add(node)
    return trie, ends
