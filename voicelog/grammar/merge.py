"""A yard file laid into grammar files: decoder, parser and audit then see the same words."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from voicelog.grammar.jsgf import NOTHING, Choice, Expansion, GrammarFile, Literal, Repeat, Sequence, Tagged
from voicelog.grammar.yard import Yard
from voicelog.values import VoicelogError

NUMBER = "number"
"""The value of a tag that takes the number just said: a slot with it has no words of its own."""


def with_yard(files: Mapping[str, GrammarFile], yard: Yard) -> dict[str, GrammarFile]:
    """The grammar files with the words of a yard as further alternatives.

    Raises VoicelogError (file, line, column of the yard file) for a slot or value
    that no grammar has, and for words that already mean another value of the slot.
    """
    _check(files, yard)
    changed = {}
    for name, file in files.items():
        rules = {rule.name: replace(rule, expansion=_extended(rule.expansion, yard)) for rule in file.rules.values()}
        changed[name] = replace(file, rules=rules)
    return changed


def _extended(expansion: Expansion, yard: Yard) -> Expansion:
    match expansion:
        case Literal(word):
            return _either(expansion, [_phrase(more.words) for more in yard.also if more.value == word])
        case Sequence((*first, Tagged(last, tags) as tagged)) if is_phrase(expansion):
            # In "grow out {fate grow out}" the tag is that of the last word; another word stands for both.
            words = [_extended(word, yard) for word in first]
            whole = Sequence((*words, replace(tagged, inner=_extended(last, yard))))
            return _either(whole, _other_words(tags, yard))
        case Sequence(items):
            return Sequence(tuple(_extended(item, yard) for item in items))
        case Choice(options, weights):
            return Choice(tuple(_extended(option, yard) for option in options), weights)
        case Repeat(inner, least):
            return Repeat(_extended(inner, yard), least)
        case Tagged(inner, tags):
            return _tagged(Tagged(_extended(inner, yard), tags), yard)
        case _:
            return expansion


def is_phrase(expansion: Sequence) -> bool:
    """Whether a sequence is plain words with the tags at the end."""
    match expansion.items:
        case (*first, Tagged(Literal(), _)):
            return all(isinstance(item, Literal) for item in first)
    return False


def _other_words(tags: tuple[str, ...], yard: Yard) -> list[Expansion]:
    return [Tagged(_phrase(more.words), tags) for more in yard.values if f"{more.slot} {more.value}" in tags]


def _tagged(item: Tagged, yard: Yard) -> Expansion:
    more = _other_words(item.tags, yard)
    if f"pen {NUMBER}" in item.tags:
        more += [Tagged(_phrase(pen.words), (f"pen {pen.value}",)) for pen in yard.pens]
    whole = _either(item, more)
    if f"band {NUMBER}" in item.tags and yard.colours:
        colours = [Tagged(_phrase(colour.words), (f"colour {colour.value}",)) for colour in yard.colours]
        return Sequence((_either(NOTHING, colours), whole))
    return whole


def _phrase(words: tuple[str, ...]) -> Expansion:
    return Sequence(tuple(Literal(word) for word in words))


def _either(first: Expansion, more: Iterable[Expansion]) -> Expansion:
    options = (first, *more)
    return Choice(options, (1.0,) * len(options)) if len(options) > 1 else first


def _check(files: Mapping[str, GrammarFile], yard: Yard) -> None:
    values: dict[str, set[str]] = defaultdict(set)
    meant: dict[tuple[str, tuple[str, ...]], str] = {}
    spoken: set[str] = set()
    for file in files.values():
        for rule in file.rules.values():
            for tag, inner in tags_in(rule.expansion):
                slot, _, value = tag.partition(" ")
                values[slot] |= {value} - {NUMBER}
                meant |= {(slot, words): value for words in _plain_phrases(inner)}
            spoken |= words_in(rule.expansion)
    known = sorted(slot for slot, found in values.items() if found)
    for more in yard.values:
        if more.slot not in known:
            raise VoicelogError(f"{more.place}: there is no slot “{more.slot}”; the slots are {', '.join(known)}")
        if more.value not in values[more.slot]:
            listed = ", ".join(sorted(values[more.slot]))
            raise VoicelogError(f"{more.place}: {more.slot} has no value “{more.value}”; its values are {listed}")
    for more in yard.also:
        if more.value not in spoken:
            raise VoicelogError(f"{more.place}: no grammar has the word “{more.value}”; name a word that one has")
    for more in (*yard.values, *yard.pens, *yard.colours):
        before = meant.setdefault((more.slot, more.words), more.value)
        if before != more.value:
            raise VoicelogError(
                f"{more.place}: “{' '.join(more.words)}” already means {more.slot} {before}; use it for one value only"
            )


def tags_in(expansion: Expansion) -> Iterator[tuple[str, Expansion]]:
    """Every tag of an expansion, with what it is the tag of."""
    match expansion:
        case Sequence((*first, Tagged(Literal() as last, tags))) if is_phrase(expansion):
            yield from ((tag, Sequence((*first, last))) for tag in tags)
        case Sequence(items) | Choice(items, _):
            for item in items:
                yield from tags_in(item)
        case Repeat(inner, _):
            yield from tags_in(inner)
        case Tagged(inner, tags):
            yield from ((tag, inner) for tag in tags)
            yield from tags_in(inner)


def words_in(expansion: Expansion) -> set[str]:
    """Every word of an expansion itself, without the rules it refers to."""
    match expansion:
        case Literal(word):
            return {word}
        case Sequence(items) | Choice(items, _):
            return set().union(*map(words_in, items))
        case Repeat(inner, _) | Tagged(inner, _):
            return words_in(inner)
        case _:
            return set()


def _plain_phrases(expansion: Expansion) -> list[tuple[str, ...]]:
    """The phrases of an expansion made of words and choices alone; of any other, none."""
    match expansion:
        case Literal(word):
            return [(word,)]
        case Choice(options, _):
            return [phrase for option in options for phrase in _plain_phrases(option)]
        case Sequence(items) if items and all(isinstance(item, Literal) for item in items):
            return [tuple(item.word for item in items if isinstance(item, Literal))]
        case _:
            return []
