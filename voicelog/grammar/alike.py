"""Wordings that sound like another one that is live too.

How near two words sound is measured (`distance.py`, `confusion.json`). Every
teen lies within `ALIKE` of its ten ("fifteen", "fifty": 0.07 to 0.13), every
other pair of number words beyond it (the nearest, "three" and "thirty": 0.19).
Two things more were measured: a synthetic voice that ends "fifty" with a breath was
heard as "fifty eight", surely and wrongly; and "two oh, weight five ounces" of another
one as "two eight, five ounces".
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import chain

from voicelog.grammar.compile import Grammars
from voicelog.grammar.network import Network
from voicelog.grammar.pronounce import Sounds
from voicelog.grammar.utterance import CallSaid

ALIKE = 0.15
"""The distance up to which no score is trusted to tell two words apart: the handler is asked."""

NEAR = 0.25
"""The distance up to which two wordings are named as risky by the audit."""

_ENDS_LIKE_EIGHT = frozenset(("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"))
_BREATH = "eight"

Words = tuple[str, ...]

_RUN_TOGETHER: dict[Words, tuple[Words, ...]] = {
    ("eight",): (("weight",), ("oh", "weight")),
    ("weight",): (("eight",),),
    ("oh", "weight"): (("eight",),),
}
"""Where a band ends and a weight begins."""

_TAKEN_FOR: dict[Words, tuple[Words, ...]] = {("sell", "male"): (("foam", "no"),), ("sell",): (("cull",),)}
"""What was heard in trials where something else was said, as surely as if it had been said: the noise stage takes the
first sound of "cull" away."""


@cache
def _english_sounds() -> Sounds:
    return Sounds()


def sounds_like(words: Sequence[str], network: Network, sounds: Sounds | None = None) -> str | None:
    """What else these words may have been, in plain words; None where nothing else is live.

    Only a word in the place of another counts, or words that run together, and only where the
    other reading says the same slots with another value: "one five" is never doubted against
    "fifty", nor "five" against "fine". `sounds` are the pronunciations, English where not given.
    """
    sounds = sounds or _english_sounds()
    for at in range(1, len(words)):
        if words[at] == _BREATH and words[at - 1] in _ENDS_LIKE_EIGHT:
            other = (*words[:at], *words[at + 1 :])
            if network.accepts(other):
                return f"“{words[at - 1]} {_BREATH}” sounds like “{words[at - 1]}”"
    for at, piece, instead in chain(_standing(words, _RUN_TOGETHER), _near_words(words, network, sounds)):
        other = (*words[:at], *instead, *words[at + len(piece) :])
        if network.accepts(other) and _another_value(network.meaning(words), network.meaning(other)):
            return f"“{' '.join(piece)}” sounds like “{' '.join(instead)}”"
    return None


def taken_for(words: Sequence[str], network: Network) -> str | None:
    """What these words were taken for however sure they seem, in plain words; None where that is not live."""
    for at, piece, instead in _standing(words, _TAKEN_FOR):
        other = (*words[:at], *instead, *words[at + len(piece) :])
        if network.accepts(other) and isinstance(network.meaning(other), CallSaid):
            return f"“{' '.join(piece)}” is what “{' '.join(instead)}” was taken for"
    return None


def taken_for_pairs(network: Network) -> tuple[tuple[Words, Words], ...]:
    """Of a vocabulary, what is always asked about, and what was said when it was heard in trials."""
    pairs = ((piece, said) for piece, others in _TAKEN_FOR.items() for said in others)
    return tuple((piece, said) for piece, said in pairs if {*piece, *said} <= network.words)


def _standing(words: Sequence[str], pieces: Mapping[Words, Iterable[Words]]) -> Iterator[tuple[int, Words, Words]]:
    """Where in `words` a piece stands, the piece, and what it may have been."""
    for at in range(len(words)):
        for piece, others in pieces.items():
            if tuple(words[at : at + len(piece)]) == piece:
                yield from ((at, piece, instead) for instead in others)


def _near_words(words: Sequence[str], network: Network, sounds: Sounds) -> Iterator[tuple[int, Words, Words]]:
    """The same of single words and what may stand in their place."""
    for at, word in enumerate(words):
        state = network.walk(words[:at])
        for other in () if state is None else network.arcs[state]:
            if other != word and sounds.distance((word,), (other,), ALIKE) <= ALIKE:
                yield at, (word,), (other,)


def _another_value(said: object, other: object) -> bool:
    """Whether two utterances say the same slots of a bird, and differ in more than a weight.

    A weight is read back digit by digit, and a wrong one falls out of the expected
    range or is a few grams off; to ask at every "three hundred forty" would be too much.
    """
    if not (isinstance(said, CallSaid) and isinstance(other, CallSaid)):
        return False
    ours, theirs = said.call.model_dump(exclude_none=True), other.call.model_dump(exclude_none=True)
    return ours.keys() == theirs.keys() and any(ours[slot] != theirs[slot] for slot in ours if slot != "weight_g")


@dataclass(frozen=True, slots=True)
class AlikePair:
    """Two bands that sound alike, the words in which their wordings differ, and how far apart those are."""

    bands: tuple[int, int]
    pieces: tuple[Words, Words]
    distance: float

    @property
    def asked(self) -> bool:
        """Whether the handler is asked whenever one of the two is heard."""
        a, b = self.pieces
        if len(a) == len(b) == 1:
            return self.distance <= ALIKE
        short, long = sorted(self.pieces, key=len)
        return _breath(short, long)


def alike_pairs(grammars: Grammars, roster: Iterable[int], threshold: float = NEAR) -> tuple[AlikePair, ...]:
    """The bands of a roster that sound alike, nearest first; each pair once, with its nearest wordings.

    A wording differs from another in one word, or in one word against two ("sixty",
    "six three"). A wording that only goes on where another ends ("thirty", "thirty
    one") is a call cut short, not a likeness, and is left out, but for "eight" after a ten.
    """
    return _alike_pairs(grammars, tuple(sorted(set(roster))), threshold)


@cache
def _alike_pairs(grammars: Grammars, roster: tuple[int, ...], threshold: float) -> tuple[AlikePair, ...]:
    wordings = grammars.band_wordings(roster)
    band_of = {words: band for band, ways in wordings.items() for words in ways}
    near = _near_pieces({piece for words in band_of for piece in _pieces(words)}, grammars.sounds, threshold)
    found: dict[tuple[int, int], AlikePair] = {}
    for words, band in band_of.items():
        for at in range(len(words)):
            for length in (1, 2):
                piece = words[at : at + length]
                for other, distance in near.get(piece, ()) if len(piece) == length else ():
                    rival = band_of.get((*words[:at], *other, *words[at + length :]), band)
                    pair = (min(band, rival), max(band, rival))
                    if rival != band:
                        pieces = (piece, other) if band < rival else (other, piece)
                        likeness = AlikePair(pair, pieces, distance)
                        found[pair] = min(found.get(pair, likeness), likeness, key=_worst_first)
    return tuple(sorted(found.values(), key=lambda pair: (pair.distance, pair.bands)))


def _worst_first(pair: AlikePair) -> tuple[bool, float]:
    return not pair.asked, pair.distance


def _pieces(words: Words) -> Iterator[Words]:
    for length in (1, 2):
        yield from (words[at : at + length] for at in range(len(words) - length + 1))


def _near_pieces(pieces: set[Words], sounds: Sounds, threshold: float) -> dict[Words, list[tuple[Words, float]]]:
    """The pieces of one or two words that lie within `threshold` of each piece, with their distance."""
    near: dict[Words, list[tuple[Words, float]]] = defaultdict(list)
    single = sorted(piece for piece in pieces if len(piece) == 1)
    for a in single:
        for b in pieces:
            if (len(b) == 1 and a >= b) or (len(b) == 2 and a[0] in b and not _breath(a, b)):
                continue
            breath = len(b) == 2 and _breath(a, b)
            distance = sounds.distance(a, b, 1.0 if breath else threshold)
            if distance <= threshold or breath:
                near[a].append((b, distance))
                near[b].append((a, distance))
    return near


def _breath(a: Words, b: Words) -> bool:
    return a[0] in _ENDS_LIKE_EIGHT and b == (a[0], _BREATH)
