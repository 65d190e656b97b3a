"""A roster as it is written: bands and ranges, such as 3,7,12-40."""

from __future__ import annotations

import re

from voicelog.values import VoicelogError

HIGHEST_BAND = 9999


def parse_roster(text: str) -> tuple[int, ...]:
    """The bands of `text`, each once, in the order written.

    Raises VoicelogError for what is no list of bands from 1 to `HIGHEST_BAND`.
    """
    bands: dict[int, None] = {}
    for part in text.split(","):
        found = re.fullmatch(r"\s*(\d{1,5})\s*(?:-\s*(\d{1,5})\s*)?", part, re.ASCII)
        if found is None:
            raise VoicelogError(f"roster “{text}”: “{part.strip()}” is no band; write bands and ranges: 3,7,12-40")
        first, last = int(found[1]), int(found[2] or found[1])
        if not 1 <= first <= last <= HIGHEST_BAND:
            raise VoicelogError(
                f"roster “{text}”: “{part.strip()}” is out of order or range; bands run from 1 to {HIGHEST_BAND}"
            )
        bands.update(dict.fromkeys(range(first, last + 1)))
    return tuple(bands)
