"""What every fact shares: it is frozen, has no slot unknown to us, and may say on which day it happened."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from voicelog.values import composed

_COMPOSED = BeforeValidator(lambda name: composed(name) if isinstance(name, str) else name)

# Letters, their marks and digits of any language; nothing that is not seen or that turns the text around it.
LotName = Annotated[str, Field(pattern=r"^[\p{L}\p{Nd}][\p{L}\p{M}\p{Nd} ._-]{0,19}$"), _COMPOSED]
"""The name of a lot or a group, such as "A7"."""

VarietyName = Annotated[str, _COMPOSED]
"""The name of a variety; those that there are stand in a varieties file."""

PenName = Annotated[str, Field(min_length=1, max_length=40)]

Birds = Annotated[int, Field(ge=1, le=100_000)]
"""How many birds or eggs."""


class Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Dated(Kept):
    """`on` is the local day on which it happened, where that is not the day on which it was written."""

    on: date | None = None
