"""The audit of a vocabulary and a roster: what sounds alike, and what to say instead."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from voicelog.grammar.alike import ALIKE, NEAR, AlikePair, alike_pairs, hiss_tells_apart, means_another, something_else
from voicelog.grammar.compile import Grammar, Grammars
from voicelog.grammar.misheard import Pair
from voicelog.grammar.network import Network
from voicelog.grammar.utterance import NotUnderstood
from voicelog.grammar.word_file import Words

NEAR_DIGITS = 0.45
"""A digit said alone has nothing beside it to go by, so digits are named as near from further off."""

FREE_BANDS = 5
"""Band numbers suggested."""


@dataclass(frozen=True, slots=True)
class RiskyWords:
    """Two wordings that can stand in the same place and mean different things there.

    `example` is an utterance with the first, `instead` the same with the second.
    `better` says the same as one of the two and is further from the other: (for which, say this, distance then).
    """

    words: tuple[Words, Words]
    distance: float
    example: Words
    instead: Words
    better: tuple[Words, Words, float] | None = None


@dataclass(frozen=True, slots=True)
class Audit:
    """What `audit` found. `taken_for` are wordings that are always asked about, each with what was said when it was
    heard; `yard_taken_for` are those that the yard file names, and `yard_sounds_like` those that it says are asked
    about where they are not heard surely. Of the two former, `hissed` are the wordings that are not asked about where
    their s is heard in the sound itself. `never_asked` are pairs of either file that mean the same.
    `unspoken` are words without a pronunciation: nothing can be said of those."""

    vocabulary: tuple[RiskyWords, ...]
    taken_for: tuple[tuple[Words, Words], ...]
    yard_taken_for: tuple[tuple[Words, Words], ...]
    yard_sounds_like: tuple[tuple[Words, Words], ...]
    hissed: tuple[tuple[Words, Words], ...]
    never_asked: tuple[tuple[Words, Words], ...]
    roster: tuple[AlikePair, ...]
    free_bands: tuple[int, ...]
    unspoken: tuple[str, ...]
    basis: str


def audit(grammars: Grammars, roster: Iterable[int], name: str = "call") -> Audit:
    """Audit the grammar `name` with the bands of a roster."""
    bands = tuple(sorted(set(roster)))
    grammar, own = grammars.compile(name, bands), grammars.yard.misheard
    idle = _never_asked(grammars)
    risky = {pair.words: pair for pair in (*_word_pairs(grammars, grammar), *_phrase_pairs(grammars, grammar))}
    return Audit(
        vocabulary=tuple(sorted(risky.values(), key=lambda pair: (pair.distance, pair.words))),
        taken_for=_as_words(
            pair for pair in grammars.misheard.taken_for if pair.words <= grammar.network.words and pair not in idle
        ),
        yard_taken_for=_as_words(pair for pair in own.taken_for if pair not in idle),
        yard_sounds_like=_as_words(pair for pair in (*own.sounds_like, *own.breath) if pair not in idle),
        hissed=_as_words(
            pair for pair in grammars.all_misheard.taken_for if hiss_tells_apart(pair.heard, pair.said, grammars.sounds)
        ),
        never_asked=_as_words(idle),
        roster=alike_pairs(grammars, bands),
        free_bands=_free_bands(grammars, bands),
        unspoken=tuple(word for word in sorted(grammar.network.words) if not grammars.sounds.ways(word)),
        basis=grammars.sounds.costs.basis,
    )


def _as_words(pairs: Iterable[Pair]) -> tuple[tuple[Words, Words], ...]:
    return tuple(dict.fromkeys((pair.heard, pair.said) for pair in pairs))


def _never_asked(grammars: Grammars) -> tuple[Pair, ...]:
    """The pairs of files that mean the same wherever both can stand, or another weight where that does not count."""
    misheard = grammars.all_misheard
    networks = [grammars.compile(name).network for name in grammars.listening]
    ways = [_ways_to_states(network) for network in networks]

    def is_idle(pair: Pair, counts: Callable[[object, object], bool]) -> bool:
        counted = [
            counts(network.meaning(heard), network.meaning(said))
            for network, before in zip(networks, ways, strict=True)
            for heard, said in _in_one_place(pair, network, before)
        ]
        return bool(counted) and not any(counted)

    return (
        *(pair for pair in misheard.taken_for if is_idle(pair, means_another)),
        *(pair for pair in misheard.sounds_like if is_idle(pair, something_else)),
    )


def _in_one_place(pair: Pair, network: Network, ways: Mapping[int, Words]) -> Iterator[tuple[Words, Words]]:
    """From each state where both sides of a pair can be said, the shortest utterances with one and with the other."""
    for state, before in ways.items():
        heard, said = network.walk(pair.heard, state), network.walk(pair.said, state)
        after = None if heard is None or said is None else _shared_ending(network, heard, said)
        if after is not None:
            yield (*before, *pair.heard, *after), (*before, *pair.said, *after)


def _word_pairs(grammars: Grammars, grammar: Grammar) -> list[RiskyWords]:
    """Words that leave the same state, and with one ending after either mean different things.

    A pair that only differs in which bird is meant stands in the roster's list.
    """
    network, sounds = grammar.network, grammars.sounds
    digits = set(grammars.digits.values())
    before = _ways_to_states(network)
    found: dict[tuple[Words, Words], RiskyWords] = {}
    for state, leaving in enumerate(network.arcs):
        for a, b in combinations(sorted(leaving), 2):
            pair = ((a,), (b,))
            limit = NEAR_DIGITS if {a, b} <= digits else NEAR
            distance = sounds.distance(*pair, limit)
            if pair in found or distance > limit:
                continue
            after = _shared_ending(network, leaving[a], leaving[b])
            if after is None:
                continue
            example, instead = (*before[state], a, *after), (*before[state], b, *after)
            if _differ(grammar, example, instead):
                better = _better(grammars, grammar, leaving, (before[state], after), pair, distance)
                found[pair] = RiskyWords(pair, distance, example, instead, better)
    return list(found.values())


def _better(
    grammars: Grammars,
    grammar: Grammar,
    leaving: Iterable[str],
    around: tuple[Words, Words],
    pair: tuple[Words, Words],
    distance: float,
) -> tuple[Words, Words, float] | None:
    """The word that says the same as one of a pair and lies furthest from the other."""
    before, after = around
    options = []
    for keeps, other in (pair, pair[::-1]):
        meaning = grammar.understand((*before, *keeps, *after))
        if grammar.understand((*before, *after)) == meaning:
            continue  # a word that adds nothing, such as the optional "weight", has no synonyms
        for word in leaving:
            apart = grammars.sounds.distance((word,), other)
            if word not in keeps and apart > distance and grammar.understand((*before, word, *after)) == meaning:
                options.append((apart, keeps, (word,)))
    best = max(options, default=None)
    return None if best is None else (best[1], best[2], best[0])


def _phrase_pairs(grammars: Grammars, grammar: Grammar) -> list[RiskyWords]:
    """Whole short utterances, of one or two words, that share none and lie near each other."""
    network, sounds = grammar.network, grammars.sounds
    starts = network.arcs[0].items()
    spoken: list[Words] = [(word,) for word, state in starts if state in network.finals]
    spoken += [
        (first, second)
        for first, state in starts
        for second, end in network.arcs[state].items()
        if end in network.finals and not {first, second} & grammars.number_words
    ]
    found = []
    for a, b in combinations(sorted(spoken), 2):
        if len(a) + len(b) < 3 or {*a} & {*b}:
            continue
        distance = sounds.distance(a, b, NEAR)
        if distance <= NEAR and _differ(grammar, a, b):
            found.append(RiskyWords((a, b), distance, a, b))
    return found


def _differ(grammar: Grammar, a: Words, b: Words) -> bool:
    meanings = grammar.understand(a), grammar.understand(b)
    return meanings[0] != meanings[1] and not any(isinstance(meaning, NotUnderstood) for meaning in meanings)


def _ways_to_states(network: Network) -> dict[int, Words]:
    """The shortest words that lead to each state."""
    ways: dict[int, Words] = {0: ()}
    todo = deque([0])
    while todo:
        state = todo.popleft()
        for word, to in network.arcs[state].items():
            if to not in ways:
                ways[to] = (*ways[state], word)
                todo.append(to)
    return ways


def _shared_ending(network: Network, a: int, b: int) -> Words | None:
    """The shortest words that end an utterance from either state; None where there are none."""
    seen = {(a, b)}
    todo: deque[tuple[int, int, Words]] = deque([(a, b, ())])
    while todo:
        at, other, words = todo.popleft()
        if at in network.finals and other in network.finals:
            return words
        for word in sorted(network.arcs[at].keys() & network.arcs[other].keys()):
            pair = (network.arcs[at][word], network.arcs[other][word])
            if pair not in seen:
                seen.add(pair)
                todo.append((*pair, (*words, word)))
    return None


def _free_bands(grammars: Grammars, roster: Sequence[int]) -> tuple[int, ...]:
    """The lowest band numbers off the roster that sound like none on it, nor like one another."""
    if not roster:
        return ()
    free: list[int] = []
    highest = roster[-1] + 10 * FREE_BANDS
    candidates = [band for band in range(1, highest + 1) if band not in set(roster)]
    conflicts = [pair.bands for pair in alike_pairs(grammars, range(1, highest + 1), ALIKE)]
    for band in candidates:
        taken = {*roster, *free}
        if not any(band in pair and taken & {*pair} for pair in conflicts):
            free.append(band)
        if len(free) == FREE_BANDS:
            break
    return tuple(free)
