"""Typed text, read as an utterance: words as they are spoken, and numbers in figures.

A number in figures stays one number: "14" is never the end of another number, nor
one and four, and a point in it is a decimal point. What stands between two numbers
must keep them apart for everybody ("1-3" does not), or the text is not understood.

A near miss is mended ("speckeld" is speckled); one that is taken for a weighty word,
such as a number, is mended too, but never silently: another number may be another
live band.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from voicelog.grammar.compile import Grammar, Grammars, Numeral
from voicelog.grammar.network import Network
from voicelog.grammar.utterance import NotUnderstood, Utterance

NEAR = 75
"""Likeness in percent from which a word counts as a near miss (`rapidfuzz.fuzz.ratio`)."""

CLEAR_OF_NEXT = 8
"""By how many percent the nearest word must beat the next, or nobody can say which was meant."""

_PIECE = re.compile(r"(?P<word>[^\W\d_]+(?:'[^\W\d_]+)?)|(?P<numeral>\d+(?:\.\d+)?)")
_APART = re.compile(r"\s*[,;:.]?\s+")
"""What may stand between two numbers."""
_BEFORE = frozenset(" \t\n\r(#\"',;:")
"""What may stand right before a number, besides a letter and a hyphen behind a letter."""
_AFTER = frozenset(" \t\n\r)\"'.,;:!?-")
"""What may stand right behind a number, besides a letter."""

_UNITS = {"g": "weight grams", "gr": "weight grams", "oz": "weight ounces"}
"""Units as they are written behind a number, and the tag of the word that says them."""

_SO = "write numbers in figures with blanks between them, such as 14 or 410.5"


@dataclass(frozen=True, slots=True)
class Typed:
    """What a typed text says: its words as they would be spoken, what they mean, and doubts about mended ones."""

    words: tuple[str, ...]
    utterance: Utterance
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Token:
    """A word of the grammar, or a number in figures; `gap` is what was typed between it and the token before."""

    said: str | Numeral
    gap: str


def read_typed(text: str, grammar: Grammar, grammars: Grammars) -> Typed:
    """What `text` says in `grammar`, one of `grammars`. Never raises.

    Of a text that could mean two things, or that has a number nobody can be sure of, the utterance is
    `NotUnderstood`, with the reason in plain words.
    """
    tokens, doubts = _tokens(text, grammar, grammars)
    plain = tuple(token.said if isinstance(token.said, str) else token.said.text for token in tokens)
    odd = _odd_number(text, grammars.number_words)
    if odd is not None:
        return Typed(plain, NotUnderstood(why=f"“{odd}” is no number that is sure; {_SO}"), doubts)
    if not any(isinstance(token.said, Numeral) for token in tokens):
        return Typed(plain, grammar.understand(plain), doubts)
    said = [token.said for token in tokens]
    found = grammar.spelled(said, grammars.spellings)
    if not found:
        digits = _as_digits(tokens, grammars)
        found = () if digits is None else grammar.spelled(digits, grammars.spellings)
    meant = [reading for reading in found if reading[1].kind != "nothing"] or list(found[:1])
    if len(meant) == 1:
        return Typed(*meant[0], doubts)
    why = "the numbers could mean two things" if meant else "the words are no call with these numbers"
    return Typed(plain, NotUnderstood(why=why), doubts)


def _tokens(text: str, grammar: Grammar, grammars: Grammars) -> tuple[list[_Token], tuple[str, ...]]:
    text = text.lower()
    tokens: list[_Token] = []
    doubts: list[str] = []
    end = 0
    for piece in _PIECE.finditer(text):
        gap, end = text[end : piece.start()], piece.end()
        if piece["numeral"]:
            tokens.append(_Token(Numeral(piece[0]), gap))
            continue
        unit = grammars.units.get(_UNITS.get(piece[0], ""))
        behind_number = bool(tokens) and isinstance(tokens[-1].said, Numeral)
        if unit in grammar.network.words and behind_number and piece[0] not in grammar.network.words:
            tokens.append(_Token(unit, gap))
            continue
        near = _nearest(piece[0], grammar.network)
        tokens.append(_Token(near or piece[0], gap))
        if near in grammars.weighty_words:
            doubts.append(f"“{piece[0]}” taken as {near}")
    return tokens, tuple(doubts)


def _nearest(word: str, network: Network) -> str | None:
    """The one word of the network that this is a near miss of; None where there is none, and of its own words."""
    from rapidfuzz import fuzz, process

    if word in network.words:
        return None
    words = sorted(network.words)
    best = process.extract(word, words, scorer=fuzz.ratio, limit=2, score_cutoff=NEAR - CLEAR_OF_NEXT)
    if not best or best[0][1] < NEAR or (len(best) > 1 and best[0][1] - best[1][1] < CLEAR_OF_NEXT):
        return None
    return str(best[0][0])


def _odd_number(text: str, number_words: frozenset[str]) -> str | None:
    """The first stretch of `text` in which figures and signs make no number that anybody can be sure of."""
    text = text.lower()
    pieces = list(_PIECE.finditer(text))
    for piece, following in pairwise(pieces):
        gap = text[piece.end() : following.start()]
        both_numbers = all(one["numeral"] or one[0] in number_words for one in (piece, following))
        if both_numbers and (piece["numeral"] or following["numeral"]) and not _APART.fullmatch(gap):
            return f"{piece[0]}{gap}{following[0]}"
    for piece in pieces:
        if not piece["numeral"]:
            continue
        before, after = text[: piece.start()], text[piece.end() :]
        hyphened = before.endswith("-") and before[-2:-1].isalpha()
        if before and not (before[-1] in _BEFORE or before[-1].isalpha() or hyphened):
            return f"{before[-1]}{piece[0]}"
        if after and not (after[0] in _AFTER or after[0].isalpha()):
            return f"{piece[0]}{after[0]}"
        if not piece[0].isascii() or len(piece[0].partition(".")[2]) > 1:
            return piece[0]
    return None


def _as_digits(tokens: Sequence[_Token], grammars: Grammars) -> list[str | Numeral] | None:
    """The same with single digits that blanks keep apart taken for one number said digit by digit, as "4 2" is; None
    where there are none, or where other numbers touch."""

    def is_number(token: _Token) -> bool:
        return isinstance(token.said, Numeral) or token.said in grammars.number_words

    runs: list[list[_Token]] = []
    for token in tokens:
        if runs and is_number(token) and is_number(runs[-1][-1]):
            runs[-1].append(token)
        else:
            runs.append([token])
    found: list[str | Numeral] = []
    for run in runs:
        if len(run) == 1 or not any(isinstance(token.said, Numeral) for token in run):
            found += [token.said for token in run]
            continue
        figures = [grammars.figures.get(said) if isinstance(said := token.said, str) else said.text for token in run]
        if not all(figure is not None and len(figure) == 1 for figure in figures):
            return None
        if not all(token.gap.isspace() for token in run[1:]):
            return None
        found.append(Numeral("".join(figure for figure in figures if figure), by_digit=True))
    return found if len(found) < len(tokens) else None
