"""The tally: a pen of unbanded chicks called one word a bird. The order is drawn at random."""

from __future__ import annotations

import numpy as np

TALLY_VOICE = "flite_rms"
TALLY_BIRDS = 60
SEX_OF = {"hen": "female", "rooster": "male", "unsure": "unsure"}


def tally_words(rng: np.random.Generator) -> list[str]:
    """What is said: a word a bird, "strike that" and the right word after every twenty-fifth, "finish session"."""
    said: list[str] = []
    for bird in range(1, TALLY_BIRDS + 1):
        word = str(rng.choice(["hen", "rooster", "unsure"], p=[0.45, 0.43, 0.12]))
        if bird % 25 == 0:
            said += ["hen" if word == "rooster" else "rooster", "strike that"]
        said.append(word)
    return [*said, "finish session"]


def tally_counts(said: list[str]) -> dict[str, int]:
    """What must be counted in the end, by sex."""
    kept: list[str] = []
    for word in said:
        if word == "strike that":
            kept.pop()
        elif word in SEX_OF:
            kept.append(SEX_OF[word])
    return {sex: kept.count(sex) for sex in SEX_OF.values()}
