"""What every fact shares: it is frozen, has no slot unknown to us, and may say on which day it happened."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

LotName = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,19}$")]
"""The name of a lot or a group, such as "A7"."""

PenName = Annotated[str, Field(min_length=1, max_length=40)]

Birds = Annotated[int, Field(ge=1, le=100_000)]
"""How many birds or eggs."""


class Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Dated(Kept):
    """`on` is the local day on which it happened, where that is not the day on which it was written."""

    on: date | None = None
