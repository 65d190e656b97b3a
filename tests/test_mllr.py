"""The transform that fits PocketSphinx's model to a voice, against PocketSphinx itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from pocketsphinx import Config, Decoder

from voicelog.hearing.phones import NATS
from voicelog.hearing.pocketsphinx_engine import PocketSphinxRecogniser
from voicelog.hearing.sphinx import model_folder
from voicelog.rehearse.acoustic import AcousticModel, Floats, read_model
from voicelog.rehearse.align import Aligned, Aligner, features_of
from voicelog.rehearse.held_back import helps
from voicelog.rehearse.mllr import Transform, estimate, identity, posteriors
from voicelog.rehearse.takes import Result
from voicelog.values import Heard, VoicelogError, Word

FIXTURES = Path(__file__).parent.parent / "audio_fixtures"
CALLS = [
    line
    for line in map(json.loads, (FIXTURES / "calls.jsonl").read_text(encoding="utf-8").splitlines())
    if line["voice"] == "flite_awb"
]
CLAMP = 96
"""Below the best Gaussian of a frame by so many steps, PocketSphinx no longer tells how far (MAX_NEG_ASCR)."""


def sound(at: int) -> Any:
    return soundfile.read(FIXTURES / CALLS[at]["file"], dtype="int16")[0]


@pytest.fixture(scope="module")
def model() -> AcousticModel:
    return read_model(model_folder() / "en-us")


@pytest.fixture(scope="module")
def aligned() -> list[Aligned]:
    with Aligner() as aligner:
        found = [aligner.align(sound(at), CALLS[at]["said"].split()) for at in range(10)]
    assert None not in found
    return [one for one in found if one is not None]


def fit(model: AcousticModel, means: Floats, utterances: list[Aligned]) -> float:
    """Mean log likelihood of a frame, in nats."""
    return float(np.concatenate([sum(posteriors(model, means, u, s)[1] for s in range(3)) for u in utterances]).mean())


def decode(settings: dict[str, Any], at: int, samples: int | None = None) -> list[tuple[str, int, int, float]]:
    folder = model_folder()
    decoder = Decoder(
        Config(
            hmm=str(folder / "en-us"), dict=str(folder / "cmudict-en-us.dict"), lm=None, loglevel="FATAL", **settings
        )
    )
    decoder.set_align_text(CALLS[at]["said"])
    decoder.start_utt()
    decoder.process_raw(sound(at)[:samples].tobytes(), full_utt=True)
    decoder.end_utt()
    return [(part.word, part.start_frame, part.end_frame, part.ascore) for part in decoder.seg() or ()]


def test_likelihoods_are_those_of_pocketsphinx(model: AcousticModel, tmp_path: Path) -> None:
    # Outside reference: the senone scores that PocketSphinx logs. It normalises and clamps them, so that is redone.
    # compallsen: score every senone; topn 128: weigh every Gaussian, not only the nearest four.
    log = str(tmp_path)
    decode({"senlogdir": log, "mfclogdir": log, "compallsen": True, "topn": 128, "cmn": "batch"}, 0, samples=24_000)
    (scores_file,), (cepstra_file,) = tmp_path.glob("*.sen"), tmp_path.glob("*.mfc")
    raw = scores_file.read_bytes()
    senones = model.log_weights.shape[2]
    scores = np.frombuffer(raw[raw.index(b"endhdr\n") + 11 :], "<i2").reshape(-1, senones + 1)[:, 1:]
    features = features_of(np.frombuffer(cepstra_file.read_bytes()[4:], ">f4").reshape(-1, 13).astype(np.float64))
    scores, features = scores[::4], features[::4]
    step = NATS
    of_phones = np.arange(3 * len(model.phones))  # The first senones: three for each base phone, in order.
    ours = np.zeros((len(features), len(of_phones)))
    for stream in range(3):
        apart = features[:, None, None, stream] - model.means[None, :, stream]
        variances = model.variances[:, stream]
        each = -0.5 * (np.square(apart) / variances + np.log(2 * np.pi * variances)).sum(axis=3)
        each = np.maximum(each - each.max(axis=(1, 2), keepdims=True), -CLAMP * step)
        for senone in of_phones:
            weighed = each[:, senone // 3] + model.log_weights[stream][:, senone]
            ours[:, senone] += np.logaddexp.reduce(weighed, axis=1)
    theirs = -step * scores[:, of_phones].astype(np.float64)
    ours, theirs = (it - it.max(axis=1, keepdims=True) for it in (ours, theirs))
    assert np.corrcoef(ours.ravel(), theirs.ravel())[0, 1] > 0.99
    assert np.abs(ours - theirs).mean() < 1.0  # nats; its table of logarithms is coarse


def test_identity_changes_nothing_and_is_accepted(model: AcousticModel, tmp_path: Path) -> None:
    file = tmp_path / "same.mllr"
    file.write_text(identity(model).as_text())
    plain = decode({}, 3)
    assert decode({"mllr": str(file)}, 3) == plain
    moved = Transform(identity(model).rotation, np.ones((3, 13)))
    file.write_text(moved.as_text())
    assert decode({"mllr": str(file)}, 3) != plain


def test_a_known_transform_is_found_again(model: AcousticModel, aligned: list[Aligned]) -> None:
    # Sound made to order: every frame drawn from a Gaussian of its state, the means moved in a known way.
    chance = np.random.default_rng(4)
    moved = Transform(np.tile(np.diag(np.linspace(0.8, 1.1, 13)), (3, 1, 1)), np.linspace(-2, 2, 39).reshape(3, 13))
    means = moved.means(model)
    made = []
    for one in aligned:
        features = np.empty_like(one.features)
        for at, (phone, senone) in enumerate(zip(one.phones, one.senones, strict=True)):
            book = model.phones.index(phone)
            for stream in range(3):
                weights = np.exp(model.log_weights[stream][:, senone])
                drawn = chance.choice(len(weights), p=weights / weights.sum())
                deviation = np.sqrt(model.variances[book, stream, drawn])
                features[at, stream] = chance.normal(means[book, stream, drawn], deviation)
        made.append(Aligned(features, one.senones, one.phones))
    found = estimate(model, made, prior_frames=0.0)
    plain, best = fit(model, model.means, made), fit(model, means, made)
    assert fit(model, found.means(model), made) > plain + 0.8 * (best - plain)


def test_a_transform_fits_sound_it_was_not_made_from(model: AcousticModel, aligned: list[Aligned]) -> None:
    made = estimate(model, aligned[:7])
    assert fit(model, made.means(model), aligned[7:]) > fit(model, model.means, aligned[7:])


def test_a_broken_transform_is_told(tmp_path: Path) -> None:
    file = tmp_path / "broken.mllr"
    file.write_text("1\n3\n13\n1.0 nonsense")
    with pytest.raises(VoicelogError, match=r"broken\.mllr.*rehearse"):
        PocketSphinxRecogniser(mllr=file)


def result(right: bool, certainty: float) -> Result:
    return Result(("hen",), Heard((Word("hen", 0, 1, certainty),), certainty, "test"), right)


@pytest.mark.parametrize(
    ("before", "after", "kept"),
    [
        ([(True, 0.9), (False, 0.2)], [(True, 0.9), (True, 0.5)], True),  # more right
        ([(True, 0.9), (True, 0.2)], [(True, 0.9), (False, 0.1)], False),  # fewer right
        ([(True, 0.5), (True, 0.5)], [(True, 0.8), (True, 0.8)], True),  # as many, surer
        ([(True, 0.5), (True, 0.5)], [(True, 0.5), (True, 0.51)], False),  # as many, no surer
        ([(True, 0.5), (False, 0.2), (False, 0.2)], [(True, 0.9), (True, 0.9), (False, 0.9)], False),  # silently wrong
    ],
)
def test_a_transform_is_kept_only_where_it_helps(
    before: list[tuple[bool, float]], after: list[tuple[bool, float]], kept: bool
) -> None:
    assert helps([result(*it) for it in before], [result(*it) for it in after], 0.6) is kept
