"""A linear transform of a model's means that makes it fit one voice in one place (MLLR).

One transform for all Gaussians: mean' = A mean + b, in each feature stream, with
diagonal covariances. Leggetter & Woodland 1995, Computer Speech and Language
9:171-185; the solution row by row is theirs (eq. 25 ff). Solved against a prior
that says "leave the model as it is", so that a few seconds of speech cannot bend it far.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from voicelog.rehearse.acoustic import AcousticModel, Floats
from voicelog.rehearse.align import Aligned

ROUNDS = 3
"""Rounds of expectation and maximisation; a fourth changes the likelihood by less than 0.01 nats a frame."""

PRIOR_FRAMES = 100.0
"""How many frames of speech the prior is worth."""

SILENCE = "SIL"


@dataclass(frozen=True, eq=False)
class Transform:
    """`rotation` (streams, 13, 13) and `shift` (streams, 13): mean' = rotation mean + shift."""

    rotation: Floats
    shift: Floats

    def means(self, model: AcousticModel) -> Floats:
        """The means of the model, transformed: shape as `model.means`."""
        turned: Floats = np.einsum("sij,csdj->csdi", self.rotation, model.means)
        return turned + self.shift[:, None, :]

    def as_text(self) -> str:
        """The file that PocketSphinx reads as its `mllr` (ps_mllr.c): one class, variances as they are."""
        streams, size = self.shift.shape
        lines = ["1", str(streams)]
        for stream in range(streams):
            lines.append(str(size))
            rows = [*self.rotation[stream], self.shift[stream], np.ones(size)]
            lines += [" ".join(f"{value:.6f}" for value in row) for row in rows]
        return "\n".join(lines) + "\n"


def identity(model: AcousticModel) -> Transform:
    """The transform that changes nothing."""
    _, streams, _, size = model.means.shape
    return Transform(np.tile(np.eye(size), (streams, 1, 1)), np.zeros((streams, size)))


def posteriors(model: AcousticModel, means: Floats, aligned: Aligned, stream: int) -> tuple[Floats, Floats]:
    """For every frame the share of each Gaussian of its codebook, shape (frames, densities),
    and the log likelihood of the frame in this stream, shape (frames,), nats."""
    books = _codebooks(model, aligned)
    joint = np.empty((len(books), model.means.shape[2]))
    for book in np.unique(books):
        there = books == book
        variance = model.variances[book, stream]
        apart = aligned.features[there, None, stream] - means[book, stream]
        joint[there] = -0.5 * (np.square(apart) / variance + np.log(2 * np.pi * variance)).sum(axis=2)
    joint += model.log_weights[stream][:, aligned.senones].T
    most = joint.max(axis=1, keepdims=True)
    shares = np.exp(joint - most)
    total = shares.sum(axis=1, keepdims=True)
    return shares / total, (most + np.log(total))[:, 0]


def estimate(model: AcousticModel, utterances: Sequence[Aligned], prior_frames: float = PRIOR_FRAMES) -> Transform:
    """The transform under which the model fits the utterances best; silence is left out of the count."""
    found = identity(model)
    spoken = [_without_silence(aligned) for aligned in utterances]
    for _ in range(ROUNDS):
        means = found.means(model)
        rotation, shift = np.empty_like(found.rotation), np.empty_like(found.shift)
        for stream in range(len(shift)):
            weighed, wanted = _statistics(model, means, spoken, stream)
            rotation[stream], shift[stream] = _solve(model, stream, weighed, wanted, prior_frames)
        found = Transform(rotation, shift)
    return found


def _statistics(
    model: AcousticModel, means: Floats, utterances: Sequence[Aligned], stream: int
) -> tuple[Floats, Floats]:
    """How many frames each Gaussian has, shape (codebooks, densities), and their sum, (..., 13)."""
    codebooks, _, densities, size = model.means.shape
    count, total = np.zeros((codebooks, densities)), np.zeros((codebooks, densities, size))
    for aligned in utterances:
        shares, _ = posteriors(model, means, aligned, stream)
        books = _codebooks(model, aligned)
        for book in np.unique(books):
            there = books == book
            count[book] += shares[there].sum(axis=0)
            total[book] += shares[there].T @ aligned.features[there, stream]
    return count, total


def _solve(
    model: AcousticModel, stream: int, count: Floats, total: Floats, prior_frames: float
) -> tuple[Floats, Floats]:
    size = total.shape[-1]
    used = count > 0
    means = model.means[:, stream][used]
    variances = model.variances[:, stream][used]
    extended = np.concatenate([np.ones((len(means), 1)), means], axis=1)
    # The prior: so many frames that sit exactly where the model already has its Gaussians.
    prior = prior_frames * count[used] / max(count.sum(), 1.0)
    precise = (count[used] + prior)[:, None] / variances
    pulled = (total[used] + prior[:, None] * means) / variances
    rows = np.empty((size, size + 1))
    for i in range(size):
        gram = (extended * precise[:, i : i + 1]).T @ extended
        rows[i] = np.linalg.solve(gram, extended.T @ pulled[:, i])
    return rows[:, 1:], rows[:, 0]


def _codebooks(model: AcousticModel, aligned: Aligned) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    number = {phone: book for book, phone in enumerate(model.phones)}
    return np.array([number[phone] for phone in aligned.phones], np.int64)


def _without_silence(aligned: Aligned) -> Aligned:
    kept = np.array([phone != SILENCE for phone in aligned.phones], bool)
    phones = tuple(phone for phone, keep in zip(aligned.phones, kept, strict=True) if keep)
    return Aligned(aligned.features[kept], aligned.senones[kept], phones)
