"""From trials to the numbers of `voicelog/hearing/certainty.py`.

`collect` hears calls of the voices and noises that are there for fitting and writes what
was measured of each, and whether the call was right, into a CSV file; `evidence_alone.csv` and
`evidence_two.csv` beside this file are what the shipped numbers were fitted on, without and with the second
listener. `fit` finds the weights of the greatest likelihood.

    python -m voicelog.bench.calibrate collect FILE.csv [--calls 4] [--seed 11] [--alone]
    python -m voicelog.bench.calibrate fit [FILE.csv]
"""

from __future__ import annotations

import csv
import random
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields
from functools import cache, partial
from pathlib import Path

import click
import numpy as np

from voicelog.audio import make_stage
from voicelog.audio.clean import ClipCleaner
from voicelog.audio.views import views_of
from voicelog.bench.cache import Cache, default_cache
from voicelog.bench.calls import pens
from voicelog.bench.extra import scipy_part
from voicelog.bench.grid import Trial, grid
from voicelog.bench.level import rms_db
from voicelog.bench.noises import noise_named
from voicelog.bench.texts import CLASSICS
from voicelog.bench.voices import spoken, voice_named
from voicelog.config import Config
from voicelog.grammar import Grammars, NotUnderstood
from voicelog.hearing.attention import attention_listener
from voicelog.hearing.certainty import Evidence, reading_terms, speech_terms
from voicelog.hearing.pocketsphinx_engine import PocketSphinxRecogniser
from voicelog.places import shipped
from voicelog.values import SAMPLE_RATE, Call, Frames

SHIPPED = Path(__file__).with_name("evidence_two.csv")
VOICES = (
    *("flite_rms", "flite_awb", "flite_kal16", "flite_rms@1.12"),
    *("festival_ked", "festival_kal", "espeak_us"),
)
UNSPOKEN = ("poultry", "whistles", "bangs")
"""Noises that are heard by themselves too."""
NOISES = ("pink", "fan", "babble", *UNSPOKEN)

ABOUT = ("voice", "noise", "snr_db", "roster", "said", "heard", "right")
MEASURED = tuple(field.name for field in fields(Evidence))

PARTS = (
    *("male", "cock", "rooster", "hen", "female", "unsure", "foam yes", "foam no", "gland yes", "breast rust"),
    *("four hundred ten grams", "three two five grams", "fourteen and a half ounces", "grow out", "to pen six"),
    *("how many left", "who is left", "strike that", "correction", "pause listening", "finish session"),
)
ANSWERS = ("yes", "no", "confirm", "repeat")
_STRETCHES = 60
"""Of each noise that is heard by itself."""

Row = dict[str, object]


@dataclass(frozen=True, slots=True)
class Talk:
    """Read prose, in the shape of a trial: whatever is heard of it is wrong."""

    voice: str
    text: str
    number: int
    seed: int
    cache: Cache
    noise: str = "none"
    snr_db: float | None = None
    roster: str = "pen"

    @property
    def words(self) -> tuple[str, ...]:
        return tuple(self.text.lower().split())

    @property
    def pen(self) -> tuple[int, ...]:
        return pens(self.seed)[self.number % len(pens(self.seed))]

    @property
    def frames(self) -> Frames:
        return spoken(voice_named(self.voice), self.text, self.number, self.cache)


@dataclass(frozen=True, slots=True)
class Unspoken:
    """A noise by itself, in the shape of a trial: whatever is heard of it is wrong."""

    noise: str
    number: int
    seed: int
    cache: Cache
    snr_db: float | None = None
    roster: str = "pen"
    words: tuple[str, ...] = ()

    @property
    def voice(self) -> str:
        return self.noise

    @property
    def pen(self) -> tuple[int, ...]:
        return pens(self.seed)[self.number % len(pens(self.seed))]

    @property
    def frames(self) -> Frames:
        draw = random.Random(f"unspoken {self.seed} {self.noise} {self.number}")
        bed = noise_named(self.noise).bed(self.cache)
        length = round(draw.uniform(0.7, 3.0) * SAMPLE_RATE)
        start = draw.randrange(len(bed) - length)
        some = bed[start : start + length] / 32768
        some *= 10 ** ((draw.uniform(-36.0, -22.0) - rms_db(some)) / 20)
        return np.clip(np.rint(some * 32768), -32768, 32767).astype(np.int16)


@click.group()
def main() -> None:
    """Collect what is measured of many calls, and fit the certainty to it."""


@main.command()
@click.argument("out", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--calls", default=2, show_default=True)
@click.option("--seed", default=11, show_default=True)
@click.option("--workers", default=1, show_default=True)
@click.option("--only", type=click.Choice(["calls", "parts", "talk", "noise"]), multiple=True, help="Some kinds alone.")
@click.option("--snr", default="clean,20,15,10,5", show_default=True, help="Speech over noise of whole calls, dB.")
@click.option("--alone", is_flag=True, help="Without the second listener.")
@click.option("--cache", type=click.Path(path_type=Path, file_okay=False), default=default_cache)
def collect(
    out: Path, calls: int, seed: int, workers: int, only: tuple[str, ...], snr: str, alone: bool, cache: Path
) -> None:
    """Hear the calls and write what was measured of each."""
    import multiprocessing

    store, trials = Cache(cache), list[Trial | Talk | Unspoken]()
    if not only or "calls" in only:
        ratios = [None if ratio == "clean" else float(ratio) for ratio in snr.split(",")]
        trials += grid(VOICES, NOISES, store, ratios_db=ratios, rosters=("pen",), calls=calls, seed=seed)
    if not only or "parts" in only:
        trials += _parts(seed, store)
    if not only or "talk" in only:
        trials += [Talk(voice, text, number, seed, store) for voice in VOICES for number, text in enumerate(CLASSICS)]
    if not only or "noise" in only:
        trials += [Unspoken(noise, number, seed, store) for noise in UNSPOKEN for number in range(_STRETCHES)]
    random.Random(seed).shuffle(trials)  # so that the first part of the file is like the whole
    with out.open("w", newline="") as file, multiprocessing.get_context("spawn").Pool(workers) as pool:
        writer = csv.DictWriter(file, [*ABOUT, *MEASURED])
        writer.writeheader()
        for done, row in enumerate(pool.imap_unordered(partial(_hear, alone=alone), trials, chunksize=4), 1):
            if row is not None:
                writer.writerow(row)
                file.flush()
            if done % 50 == 0:
                click.echo(f"{done} of {len(trials)}")


def _parts(seed: int, cache: Cache) -> Iterator[Trial]:
    """What is said besides whole calls: each by every voice, without noise or in one of the noises."""
    draw = random.Random(f"parts {seed}")
    for voice in VOICES:
        for number, text in enumerate((*PARTS, *ANSWERS)):
            pen = pens(seed)[number % len(pens(seed))]
            noise, ratio = draw.choice((("none", None), (draw.choice(NOISES), draw.choice((20.0, 15.0, 10.0)))))
            yield Trial(seed, voice, noise, ratio, "none", "pen", number, tuple(text.split()), Call(), pen, cache)


@main.command()
@click.argument("data", type=click.Path(path_type=Path, exists=True, dir_okay=False), default=SHIPPED)
def fit(data: Path) -> None:
    """Print the weights, and how well they do on voices left out of the fit one by one."""
    rows = accepted_unasked(read(data))
    speech, reading = terms_of(rows)
    right = np.array([row["right"] == "True" for row in rows], float)
    weights = regress(speech, reading, right)
    click.echo(f"speech = ({', '.join(f'{weight:.3f}' for weight in weights[: speech.shape[1]])})")
    click.echo(f"reading = ({', '.join(f'{weight:.3f}' for weight in weights[speech.shape[1] :])})")
    told = np.empty(len(rows))
    speakers = np.array([str(row["voice"]).partition("@")[0] for row in rows])
    for speaker in sorted(set(speakers)):
        out = speakers == speaker
        told[out] = _told(regress(speech[~out], reading[~out], right[~out]), speech[out], reading[out])
    click.echo(f"{len(rows)} utterances, {right.mean():.3f} heard right. Of each voice by the others' weights:")
    brier, of_the_share = np.mean((told - right) ** 2), np.mean((right.mean() - right) ** 2)
    click.echo(f"Brier score {brier:.4f}; of the share alone {of_the_share:.4f}")
    for least in (0.5, 0.8, 0.9, 0.95, 0.98, 0.99):
        kept = told >= least
        click.echo(f"certainty >= {least}: {kept.mean():.3f} of them, {int((1 - right)[kept].sum())} wrong")


Table = np.ndarray[tuple[int, int], np.dtype[np.float64]]
Column = np.ndarray[tuple[int], np.dtype[np.float64]]


def read(data: Path) -> list[Row]:
    with data.open(newline="") as file:
        return list(csv.DictReader(file))


def accepted_unasked(rows: list[Row]) -> list[Row]:
    """Without culls: one voice's are told apart from its cocks by nothing that is measured."""
    return [row for row in rows if "cull" not in str(row["heard"]).split()]


def terms_of(rows: list[Row]) -> tuple[Table, Table]:
    """One row an utterance: the terms of either function."""
    measured = [Evidence(**{name: float(str(row[name])) for name in MEASURED if row.get(name)}) for row in rows]
    return np.array([speech_terms(each) for each in measured]), np.array([reading_terms(each) for each in measured])


def regress(speech: Table, reading: Table, right: Column, ridge: float = 0.3) -> Column:
    """The weights of both functions, one after the other, of the greatest likelihood; constants are hardly shrunk."""
    minimize = scipy_part("optimize").minimize
    constant = np.ptp(np.hstack([speech, reading]), axis=0) == 0
    shrink = np.where(constant, 0.02, ridge)

    def loss(weights: Column) -> float:
        told = np.clip(_told(weights, speech, reading), 1e-9, 1 - 1e-9)
        return float(-np.sum(right * np.log(told) + (1 - right) * np.log(1 - told)) + np.sum(shrink * weights**2) / 2)

    found: Column = minimize(loss, np.ones(len(shrink)), method="BFGS").x
    return found


def _told(weights: Column, speech: Table, reading: Table) -> Column:
    split = speech.shape[1]
    return _logistic(speech @ weights[:split]) * _logistic(reading @ weights[split:])


def _logistic(z: Column) -> Column:
    return 1 / (1 + np.exp(-np.clip(z, -50, 50)))


@cache
def _ears(alone: bool) -> tuple[PocketSphinxRecogniser, ClipCleaner]:
    second = None if alone else attention_listener()
    return PocketSphinxRecogniser(second=second), ClipCleaner(make_stage(Config().noise))


@cache
def _grammars() -> Grammars:
    return Grammars(shipped("grammars"))


def _hear(trial: Trial | Talk | Unspoken, alone: bool) -> Row | None:
    recogniser, cleaner = _ears(alone)
    said = " ".join(trial.words)
    grammar = _grammars().compile("answer" if said in ANSWERS else "call", trial.pen)
    recogniser.listen_for(grammar.network)
    # As in a session, the stage runs on; it is given time to learn the noise of this trial.
    cleaner.clean(np.resize(trial.frames, 2 * SAMPLE_RATE))
    words, _, evidence = recogniser.weigh(views_of(cleaner.clean(trial.frames), trial.frames))
    heard = tuple(word.text for word in words)
    meaning = grammar.understand(heard)
    if evidence is None or isinstance(meaning, NotUnderstood):
        return None  # nothing is ever done about it, however sure
    right = meaning == grammar.understand(trial.words)
    about = (trial.voice, trial.noise, trial.snr_db, trial.roster, said, " ".join(heard), right)
    return dict(zip(ABOUT, about, strict=True)) | {
        name: None if value is None else round(value, 3) for name, value in asdict(evidence).items()
    }


if __name__ == "__main__":
    main()
