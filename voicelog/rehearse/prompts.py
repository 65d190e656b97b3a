"""What the handler is asked to say: calls that together hold every word of the grammar."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

from voicelog.grammar import Grammar, Utterance
from voicelog.values import VoicelogError

Words = tuple[str, ...]

PROMPTS = 20
"""A rehearsal of about three minutes; a vocabulary that does not fit makes it longer."""

LONGEST = 11
"""Words. More are hard to keep in mind, and the cutter takes a longer breath for the end."""

_TRIES = 400
_OPENING_TRIES = 8
_FRUITLESS = 5


def prompts_for(grammar: Grammar, count: int = PROMPTS) -> tuple[Words, ...]:
    """At least `count` utterances of the grammar that hold every word of it, the same every time.

    Each is a call with its band or a session word. Words that have come seldom are taken first, so a keeper's
    own words are there as well.
    """
    chance = random.Random(20)
    openers = _openers(grammar, chance)
    said: Counter[str] = Counter()
    chosen: list[Words] = []
    fruitless = 0
    while fruitless < _FRUITLESS and (len(chosen) < count or not grammar.network.words <= said.keys()):
        starts = chance.choices(openers, k=_TRIES)
        tries = {_walk(grammar, said, chance, start) for start in starts} - {*chosen, ()}
        whole = [words for words in sorted(tries) if _is_whole(grammar.understand(words))]
        if not whole:
            break
        best = max(whole, key=lambda words: sum((said[word] + 1) ** -3.0 for word in set(words)))
        if len(chosen) >= count and said.keys() >= set(best):
            fruitless += 1
            continue
        chosen.append(best)
        said.update(best)
    return tuple(chosen)


def _is_whole(utterance: Utterance) -> bool:
    """Whether it is said as in a pen: a call with its band, or a session word."""
    return utterance.kind == "command" or (utterance.kind == "call" and utterance.call.band is not None)


def _openers(grammar: Grammar, chance: random.Random) -> list[str]:
    """The words that whole utterances begin with: the one of every call, and the session words."""
    nothing: Counter[str] = Counter()
    return [
        word
        for word in grammar.network.arcs[0]
        if any(_is_whole(grammar.understand(_walk(grammar, nothing, chance, word))) for _ in range(_OPENING_TRIES))
    ]


def _walk(grammar: Grammar, said: Counter[str], chance: random.Random, start: str) -> Words:
    """A random utterance that leans towards words not said yet; empty where it went on too long."""
    network = grammar.network
    words = [start]
    state = network.arcs[0][start]
    while len(words) <= LONGEST:
        leaving = network.arcs[state]
        if state in network.finals and (not leaving or len(words) > chance.randrange(1, LONGEST)):
            return tuple(words)
        if not leaving:
            return ()
        weights = [8.0 ** -(said[word] + 2 * words.count(word)) for word in leaving]
        word = chance.choices(list(leaving), weights)[0]
        words.append(word)
        state = leaving[word]
    return ()


def read_prompts(path: Path, grammar: Grammar) -> tuple[Words, ...]:
    """The prompts of a text file, one a line. Raises VoicelogError (file, line) for one that is no call."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as wrong:
        raise VoicelogError(f"{path}: cannot be read ({wrong}); give a text file with one prompt a line") from wrong
    prompts = []
    for number, line in enumerate(lines, 1):
        words = tuple(line.lower().split())
        if words and not grammar.network.accepts(words):
            why = "has words that no call has" if set(words) - grammar.network.words else "is no call of this roster"
            raise VoicelogError(f"{path}:{number}: “{line.strip()}” {why}; correct it or leave it out")
        if words:
            prompts.append(words)
    if not prompts:
        raise VoicelogError(f"{path}: holds no prompt; write one a line, such as: band four two male")
    return tuple(prompts)
