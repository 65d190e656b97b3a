"""A barn's echo: impulse responses of a box 6 x 4 x 2.5 m by the image source method of pyroomacoustics."""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np

from voicelog.bench.extra import need, scipy_part
from voicelog.bench.level import Samples
from voicelog.values import SAMPLE_RATE

Room = Literal["none", "near", "far"]
"""No echo; a microphone 0.3 m from the mouth, as on a headset; one at 1.5 m, as on a shelf."""

DISTANCES_M = {"near": 0.3, "far": 1.5}
SIZE_M = (6.0, 4.0, 2.5)
ABSORBED = 0.25
"""Share of the energy that walls take at each reflection: boards and straw. By Sabine, 0.4 s to fall by 60 dB."""

_MOUTH_M = (2.1, 1.7, 1.5)
_REFLECTIONS = 12


def in_room(speech: Samples, room: Room) -> Samples:
    """Speech as the microphone gets it, its direct sound in step with the input; longer by the echo."""
    if room == "none":
        return speech
    heard: Samples = scipy_part("signal").fftconvolve(speech, _response(DISTANCES_M[room]))
    return heard


@cache
def _response(distance_m: float) -> Samples:
    pra = need("pyroomacoustics", "pyroomacoustics")
    box = pra.ShoeBox(SIZE_M, fs=SAMPLE_RATE, materials=pra.Material(ABSORBED), max_order=_REFLECTIONS)
    box.add_source(_MOUTH_M)
    x, y, z = _MOUTH_M
    box.add_microphone([x + distance_m, y, z])
    box.compute_rir()
    response = np.asarray(box.rir[0][0], dtype=np.float64)
    direct = int(np.abs(response).argmax())
    from_direct: Samples = response[direct:] / response[direct]
    return from_direct
