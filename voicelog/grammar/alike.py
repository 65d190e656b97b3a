"""Wordings that sound like another one that is live too.

How near two words sound is measured (`distance.py`, `confusion.json`). Every
teen lies within `ALIKE` of its ten ("fifteen", "fifty": 0.07 to 0.13), every
other pair of number words beyond it (the nearest, "three" and "thirty": 0.19).
What is heard for something else though it is far off on that scale is named in files
(`misheard.py`): the vocabulary's `misheard.toml` and the yard file.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

from voicelog.grammar.compile import Grammars
from voicelog.grammar.network import Network
from voicelog.grammar.pronounce import Sounds
from voicelog.grammar.utterance import CallSaid, NotUnderstood
from voicelog.grammar.word_file import Words

ALIKE = 0.15
"""The distance up to which no score is trusted to tell two words apart: the handler is asked."""

NEAR = 0.25
"""The distance up to which two wordings are named as risky by the audit."""


@cache
def _english_sounds() -> Sounds:
    return Sounds()


def sounds_like(words: Sequence[str], network: Network, sounds: Sounds | None = None) -> str | None:
    """What else these words may have been, in plain words; None where nothing else is live.

    By sound only a word in the place of another counts, and only where the other reading says
    the same slots with another value: "one five" is never doubted against "fifty", nor "five"
    against "fine". Wordings that files name count wherever the other reading says something
    else. `sounds` are the pronunciations, English where not given.
    """
    sounds = sounds or _english_sounds()
    for at, piece, instead in _standing(words, network.misheard.breathed):
        if network.accepts(_with(words, at, piece, instead)):
            return _alike(piece, instead)
    for at, piece, instead in _standing(words, network.misheard.unsurely):
        other = _with(words, at, piece, instead)
        if network.accepts(other) and something_else(network.meaning(words), network.meaning(other)):
            return _alike(piece, instead)
    for at, piece, instead in _near_words(words, network, sounds):
        other = _with(words, at, piece, instead)
        if network.accepts(other) and _another_value(network.meaning(words), network.meaning(other)):
            return _alike(piece, instead)
    return None


Place = tuple[int, Words, Words]
"""Where in an utterance a wording stands, the wording, and what it may have been."""


def taken_for(
    words: Sequence[str], network: Network, is_surely: Callable[[Place], bool] = lambda place: False
) -> str | None:
    """What these words were taken for however sure they seem, in plain words; None where that is not live.

    `is_surely` tells of a place whether something else than a recogniser bears out what was heard there.
    """
    for place in _standing(words, network.misheard.surely):
        _, piece, instead = place
        other = _with(words, *place)
        is_live = network.accepts(other) and means_another(network.meaning(words), network.meaning(other))
        if is_live and not is_surely(place):
            return f"“{' '.join(piece)}” is what “{' '.join(instead)}” was taken for"
    return None


_HISS = frozenset("S")
_MAY_HISS = _HISS | {"Z", "SH", "ZH", "CH", "JH", "T", "TH"}
"""Phones that hiss before a vowel, or may: in trials, the first of "two" and "three" did in some voices."""


def hiss_tells_apart(piece: Words, instead: Words, sounds: Sounds) -> bool:
    """Whether a hiss is heard at the beginning of the one wording, however it is said, and never of the other: "sell"
    and "cull"."""
    ours, theirs = ({way[0] for way in sounds.ways(words[0])} for words in (piece, instead))
    return bool(ours and theirs) and ours <= _HISS and not theirs & _MAY_HISS


def may_have_been(words: Sequence[str], said: Sequence[str], network: Network) -> bool:
    """Whether `words` are what was heard, however surely, where something that means the same as `said` was said."""
    others = (_with(words, *place) for place in _standing(words, network.misheard.surely))
    return any(network.accepts(other) and network.meaning(other) == network.meaning(said) for other in others)


def means_another(said: object, other: object) -> bool:
    """Whether the other of two utterances means something, and not the same."""
    return said != other and not isinstance(other, NotUnderstood)


def _alike(piece: Words, instead: Words) -> str:
    return f"“{' '.join(piece)}” sounds like “{' '.join(instead)}”"


def _with(words: Sequence[str], at: int, piece: Words, instead: Words) -> Words:
    """The words with another piece in the place of the one that stands at `at`."""
    return (*words[:at], *instead, *words[at + len(piece) :])


def _standing(words: Sequence[str], pieces: Mapping[Words, Iterable[Words]]) -> Iterator[Place]:
    """The places of `words` where a piece stands."""
    for at in range(len(words)):
        for piece, others in pieces.items():
            if tuple(words[at : at + len(piece)]) == piece:
                yield from ((at, piece, instead) for instead in others)


def _near_words(words: Sequence[str], network: Network, sounds: Sounds) -> Iterator[Place]:
    """The same of single words and what may stand in their place."""
    for at, word in enumerate(words):
        state = network.walk(words[:at])
        for other in () if state is None else network.arcs[state]:
            if other != word and sounds.distance((word,), (other,), ALIKE) <= ALIKE:
                yield at, (word,), (other,)


def _another_value(said: object, other: object) -> bool:
    """Whether two utterances say the same slots of a bird, and differ in more than a weight."""
    if not (isinstance(said, CallSaid) and isinstance(other, CallSaid)):
        return False
    return _slots(said).keys() == _slots(other).keys() and something_else(said, other)


def something_else(said: object, other: object) -> bool:
    """Whether two utterances mean different things, and differ in more than a weight.

    A weight is read back digit by digit, and a wrong one falls out of the expected
    range or is a few grams off; to ask at every "three hundred forty" would be too much.
    """
    if isinstance(said, CallSaid) and isinstance(other, CallSaid):
        ours, theirs = _slots(said), _slots(other)
        return ours.keys() != theirs.keys() or any(ours[slot] != theirs[slot] for slot in ours if slot != "weight_g")
    return said != other and not isinstance(said, NotUnderstood) and not isinstance(other, NotUnderstood)


def _slots(said: CallSaid) -> dict[str, object]:
    return said.call.model_dump(exclude_none=True)


@dataclass(frozen=True, slots=True)
class AlikePair:
    """Two bands that sound alike, the words in which their wordings differ, how far apart those are, and whether the
    handler is asked whenever one of the two is heard."""

    bands: tuple[int, int]
    pieces: tuple[Words, Words]
    distance: float
    asked: bool


def alike_pairs(grammars: Grammars, roster: Iterable[int], threshold: float = NEAR) -> tuple[AlikePair, ...]:
    """The bands of a roster that sound alike, nearest first; each pair once, with its nearest wordings.

    By sound a wording differs from another in one word, or in one word against two ("sixty",
    "six three"). A wording that only goes on where another ends ("thirty", "thirty
    one") is a call cut short, not a likeness, and is left out. What files name is in the
    list however long it is and however far apart it sounds.
    """
    return _alike_pairs(grammars, tuple(sorted(set(roster))), threshold)


@cache
def _alike_pairs(grammars: Grammars, roster: tuple[int, ...], threshold: float) -> tuple[AlikePair, ...]:
    wordings = grammars.band_wordings(roster)
    band_of = {words: band for band, ways in wordings.items() for words in ways}
    pieces_said = {piece for words in band_of for piece in _pieces(words)}
    near = _near_pieces(pieces_said, grammars.sounds, threshold)
    for piece, other in grammars.all_misheard.either_way:
        near[piece].append((other, grammars.sounds.distance(piece, other), True))
    lengths = sorted({len(piece) for piece in near})
    found: dict[tuple[int, int], AlikePair] = {}
    for words, band in band_of.items():
        for at, length in product(range(len(words)), lengths):
            piece = words[at : at + length]
            for other, distance, asked in near.get(piece, ()) if len(piece) == length else ():
                rival = band_of.get(_with(words, at, piece, other), band)
                pair = (min(band, rival), max(band, rival))
                if rival != band:
                    pieces = (piece, other) if band < rival else (other, piece)
                    likeness = AlikePair(pair, pieces, distance, asked)
                    found[pair] = min(found.get(pair, likeness), likeness, key=_worst_first)
    return tuple(sorted(found.values(), key=lambda pair: (pair.distance, pair.bands)))


def _worst_first(pair: AlikePair) -> tuple[bool, float]:
    return not pair.asked, pair.distance


def _pieces(words: Words) -> Iterator[Words]:
    for length in (1, 2):
        yield from (words[at : at + length] for at in range(len(words) - length + 1))


def _near_pieces(pieces: set[Words], sounds: Sounds, threshold: float) -> dict[Words, list[tuple[Words, float, bool]]]:
    """The pieces of one or two words that lie within `threshold` of each piece, with their distance and whether the
    handler is asked for it."""
    near: dict[Words, list[tuple[Words, float, bool]]] = defaultdict(list)
    single = sorted(piece for piece in pieces if len(piece) == 1)
    for a in single:
        for b in pieces:
            if (len(b) == 1 and a >= b) or (len(b) == 2 and a[0] in b):
                continue
            distance = sounds.distance(a, b, threshold)
            if distance <= threshold:
                asked = len(b) == 1 and distance <= ALIKE
                near[a].append((b, distance, asked))
                near[b].append((a, distance, asked))
    return near
