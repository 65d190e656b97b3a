"""The phones of English by how the mouth makes them, and from that how near two phones sound.

The 39 phones are ARPAbet's as the CMU Pronouncing Dictionary uses them, without
stress. Features are those of any phonetics textbook (the IPA chart); how much
each weighs is common practice, not measured. `confusion.py` lays what was
measured over these numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

CONSONANT_SHARE = 0.6
"""A consonant is shorter and weaker than a vowel, so mistaking one changes a word less."""


@dataclass(frozen=True, slots=True)
class Consonant:
    """`place` from 0 (lips) to 1 (glottis), `manner` from 0 (stop) to 1 (glide), by how open the mouth is."""

    place: float
    manner: float
    voiced: bool


@dataclass(frozen=True, slots=True)
class Vowel:
    """`height` from 0 (close) to 1 (open), `back` from 0 (front) to 1, at its start and at its end."""

    height: tuple[float, float]
    back: tuple[float, float]
    rounded: bool
    tense: bool


_STOP, _AFFRICATE, _FRICATIVE, _NASAL, _LATERAL, _GLIDE = 0.0, 0.15, 0.3, 0.6, 0.8, 1.0
_LIPS, _LIP_TEETH, _TEETH, _RIDGE, _BEHIND_RIDGE, _PALATE, _VELUM, _GLOTTIS = 0.0, 0.15, 0.3, 0.4, 0.55, 0.65, 0.8, 1.0

CONSONANTS = {
    "P": Consonant(_LIPS, _STOP, False),
    "B": Consonant(_LIPS, _STOP, True),
    "T": Consonant(_RIDGE, _STOP, False),
    "D": Consonant(_RIDGE, _STOP, True),
    "K": Consonant(_VELUM, _STOP, False),
    "G": Consonant(_VELUM, _STOP, True),
    "CH": Consonant(_BEHIND_RIDGE, _AFFRICATE, False),
    "JH": Consonant(_BEHIND_RIDGE, _AFFRICATE, True),
    "F": Consonant(_LIP_TEETH, _FRICATIVE, False),
    "V": Consonant(_LIP_TEETH, _FRICATIVE, True),
    "TH": Consonant(_TEETH, _FRICATIVE, False),
    "DH": Consonant(_TEETH, _FRICATIVE, True),
    "S": Consonant(_RIDGE, _FRICATIVE, False),
    "Z": Consonant(_RIDGE, _FRICATIVE, True),
    "SH": Consonant(_BEHIND_RIDGE, _FRICATIVE, False),
    "ZH": Consonant(_BEHIND_RIDGE, _FRICATIVE, True),
    "HH": Consonant(_GLOTTIS, _FRICATIVE, False),
    "M": Consonant(_LIPS, _NASAL, True),
    "N": Consonant(_RIDGE, _NASAL, True),
    "NG": Consonant(_VELUM, _NASAL, True),
    "L": Consonant(_RIDGE, _LATERAL, True),
    "R": Consonant(_BEHIND_RIDGE, _GLIDE, True),
    "W": Consonant(_LIPS, _GLIDE, True),
    "Y": Consonant(_PALATE, _GLIDE, True),
}

VOWELS = {
    "IY": Vowel((0.0, 0.0), (0.0, 0.0), False, True),
    "IH": Vowel((0.2, 0.2), (0.15, 0.15), False, False),
    "EY": Vowel((0.4, 0.15), (0.05, 0.1), False, True),
    "EH": Vowel((0.6, 0.6), (0.1, 0.1), False, False),
    "AE": Vowel((0.85, 0.85), (0.15, 0.15), False, False),
    "AA": Vowel((1.0, 1.0), (0.8, 0.8), False, True),
    "AO": Vowel((0.7, 0.7), (1.0, 1.0), True, True),
    "AH": Vowel((0.6, 0.6), (0.55, 0.55), False, False),
    "ER": Vowel((0.5, 0.5), (0.5, 0.5), True, True),
    "UH": Vowel((0.2, 0.2), (0.85, 0.85), True, False),
    "UW": Vowel((0.0, 0.0), (1.0, 1.0), True, True),
    "OW": Vowel((0.45, 0.15), (0.9, 0.95), True, True),
    "AY": Vowel((0.95, 0.2), (0.5, 0.15), False, True),
    "AW": Vowel((0.95, 0.25), (0.45, 0.9), False, True),
    "OY": Vowel((0.6, 0.2), (0.95, 0.15), True, True),
}

PHONES = (*CONSONANTS, *VOWELS)

_SKIP_BY_MANNER = {_STOP: 0.4, _AFFRICATE: 0.6, _FRICATIVE: 0.55, _NASAL: 0.5, _LATERAL: 0.5, _GLIDE: 0.5}
_GLIDES_OF = {frozenset(("Y", "IY")): 0.4, frozenset(("Y", "IH")): 0.45, frozenset(("W", "UW")): 0.4} | {
    frozenset(("W", "UH")): 0.45,
    frozenset(("R", "ER")): 0.3,
}


def skip_cost(phone: str) -> float:
    """How much it takes to miss a phone, or to hear one that was not said; a vowel, which is a syllable, is 1."""
    if phone in VOWELS:
        return 1.0
    return 0.3 if phone == "HH" else _SKIP_BY_MANNER[CONSONANTS[phone].manner]


def swap_cost(a: str, b: str) -> float:
    """How much it takes to hear phone `a` as `b`: 0 the same, never more than missing one and adding the other."""
    if a == b:
        return 0.0
    most = skip_cost(a) + skip_cost(b)
    if a in CONSONANTS and b in CONSONANTS:
        x, y = CONSONANTS[a], CONSONANTS[b]
        apart = 0.6 * abs(x.place - y.place) + 0.8 * abs(x.manner - y.manner) + 0.2 * (x.voiced != y.voiced)
        return min(CONSONANT_SHARE * apart, most)
    if a in VOWELS and b in VOWELS:
        v, w = VOWELS[a], VOWELS[b]
        height = sum(abs(p - q) for p, q in zip(v.height, w.height, strict=True)) / 2
        back = sum(abs(p - q) for p, q in zip(v.back, w.back, strict=True)) / 2
        return min(0.6 * height + 0.5 * back + 0.1 * (v.rounded != w.rounded) + 0.1 * (v.tense != w.tense), most)
    return _GLIDES_OF.get(frozenset((a, b)), most)


def every_pair() -> list[tuple[str, str]]:
    """Every two different phones, once."""
    return list(combinations(PHONES, 2))
