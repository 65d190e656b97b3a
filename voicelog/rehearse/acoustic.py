"""The Gaussians of PocketSphinx's English model, read from the files in its wheel.

The model is phonetically tied: every base phone has one codebook of Gaussians in
each of three feature streams (cepstra, their slope, their curve), and every
tied state (senone) of that phone weighs the Gaussians of its codebook its own way.
File formats: bio.c, bin_mdef.c, ms_gauden.c and ptm_mgau.c of PocketSphinx 5.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from voicelog.hearing.phones import NATS, behind_header, phone_names
from voicelog.values import VoicelogError

Floats = npt.NDArray[np.float64]

VARIANCE_FLOOR = 1e-4
"""The library's `varfloor`."""


@dataclass(frozen=True, eq=False)
class AcousticModel:
    """`phones` are in the order of the codebooks.

    `means` and `variances` have the shape (codebooks, streams, densities, dimensions),
    `log_weights` (streams, densities, senones), in nats.
    """

    phones: tuple[str, ...]
    means: Floats
    variances: Floats
    log_weights: Floats


def read_model(folder: Path) -> AcousticModel:
    """The model in `folder`. Raises VoicelogError where it is not of this kind."""
    try:
        phones = phone_names((folder / "mdef").read_bytes())
        means = _read_gaussians((folder / "means").read_bytes())
        variances = np.maximum(_read_gaussians((folder / "variances").read_bytes()), VARIANCE_FLOOR)
        log_weights = _read_weights((folder / "sendump").read_bytes(), means.shape[1])
    except (OSError, ValueError, struct.error) as wrong:
        raise VoicelogError(
            f"{folder}: no phonetically tied PocketSphinx model ({wrong}); install pocketsphinx again"
        ) from wrong
    return AcousticModel(phones, means, variances, log_weights)


def _read_gaussians(file: bytes) -> Floats:
    at = behind_header(file)
    codebooks, streams, densities = struct.unpack_from("<3i", file, at)
    lengths = struct.unpack_from(f"<{streams}i", file, at + 12)
    if len(set(lengths)) > 1:
        raise ValueError("the feature streams differ in length")
    values = np.frombuffer(file, "<f4", codebooks * streams * densities * lengths[0], at + 16 + 4 * streams)
    return values.reshape(codebooks, streams, densities, lengths[0]).astype(np.float64)


def _read_weights(file: bytes, streams: int) -> Floats:
    at = 0
    while (length := struct.unpack_from("<i", file, at)[0]) != 0:
        at += 4 + length
    densities, senones = struct.unpack_from("<2i", file, at + 4)
    steps = np.frombuffer(file, np.uint8, streams * densities * senones, at + 12).astype(np.float64)
    weights: Floats = -NATS * steps.reshape(streams, densities, senones)
    return weights
