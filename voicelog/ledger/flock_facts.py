"""Facts of the flock: eggs, hatches, bands, pens, losses.

A bird is known by its band on a day; which bird that is follows from who wore the
band then (`voicelog.ledger.birds`). Birds without bands are counted by lot and pen
(`voicelog.ledger.lots`).
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from voicelog.ledger.ids import EventId
from voicelog.ledger.kept import Birds, Dated, Kept, LotName, PenName, VarietyName
from voicelog.values import BandNumber, Sex

PenUse = Literal["young", "hens", "males", "breeding"]


class EggsSet(Dated):
    """Eggs of one variety go into the incubator as lot `lot`; `parents` is the group that laid them."""

    kind: Literal["eggs_set"] = "eggs_set"
    v: Literal[1] = 1
    lot: LotName
    variety: VarietyName
    count: Birds
    parents: LotName | None = None


class EggsTended(Dated):
    """A lot of eggs was candled, or is no longer turned; `removed` eggs were taken out."""

    kind: Literal["eggs_tended"] = "eggs_tended"
    v: Literal[1] = 1
    lot: LotName
    task: Literal["candle", "stop turning"]
    removed: Annotated[int, Field(ge=0)] = 0


class Hatched(Dated):
    """`count` chicks of a lot are in `pen`. The variety may be left out where the lot's eggs are known."""

    kind: Literal["hatched"] = "hatched"
    v: Literal[1] = 1
    lot: LotName
    variety: VarietyName | None = None
    count: Birds
    pen: PenName | None = None
    parents: LotName | None = None


class Banded(Dated):
    """A bird of `lot` gets its first band and is in `pen`; until then it was counted in `from_pen`
    (the same pen where that is None)."""

    kind: Literal["banded"] = "banded"
    v: Literal[1] = 1
    band: BandNumber
    lot: LotName | None = None
    pen: PenName | None = None
    from_pen: PenName | None = None


class BandLost(Dated):
    """The bird that wore `band` wears none now; it is still the same bird."""

    kind: Literal["band_lost"] = "band_lost"
    v: Literal[1] = 1
    band: BandNumber


class BandReplaced(Dated):
    """The bird that wears `band`, or lost it, wears `new` from now on."""

    kind: Literal["band_replaced"] = "band_replaced"
    v: Literal[1] = 1
    band: BandNumber
    new: BandNumber


class Moved(Dated):
    """A bird goes to `pen`; `from_pen`, where given, is the pen that it was taken from."""

    kind: Literal["moved"] = "moved"
    v: Literal[1] = 1
    band: BandNumber
    pen: PenName
    from_pen: PenName | None = None


class Died(Dated):
    kind: Literal["died"] = "died"
    v: Literal[1] = 1
    band: BandNumber
    cause: str | None = None


class Sold(Dated):
    kind: Literal["sold"] = "sold"
    v: Literal[1] = 1
    band: BandNumber


class Grouped(Dated):
    """A bird joins breeding group `group`, which lives in `pen`."""

    kind: Literal["grouped"] = "grouped"
    v: Literal[1] = 1
    band: BandNumber
    group: LotName
    pen: PenName


class Counted(Dated):
    """A tally: one bird without a band, of `lot` in `pen`, is of this sex."""

    kind: Literal["counted"] = "counted"
    v: Literal[1] = 1
    sex: Sex
    lot: LotName | None = None
    pen: PenName | None = None


class LotMoved(Dated):
    """`count` birds without bands go from one pen to another; `sex` where the tally told it."""

    kind: Literal["lot_moved"] = "lot_moved"
    v: Literal[1] = 1
    lot: LotName
    count: Birds
    pen: PenName
    from_pen: PenName | None = None
    sex: Sex | None = None


class LotLess(Dated):
    """`count` birds without bands of a lot died or were sold."""

    kind: Literal["lot_less"] = "lot_less"
    v: Literal[1] = 1
    lot: LotName
    count: Birds
    why: Literal["died", "sold"]
    pen: PenName | None = None


class PenNamed(Dated):
    """What a pen is for, and what it is called besides its number."""

    kind: Literal["pen_named"] = "pen_named"
    v: Literal[1] = 1
    pen: PenName
    title: str | None = None
    use: PenUse | None = None


class Retracted(Kept):
    """The event `target` no longer counts, for this reason. A retraction can be retracted too."""

    kind: Literal["retracted"] = "retracted"
    v: Literal[1] = 1
    target: EventId
    reason: Annotated[str, Field(min_length=1, max_length=200)]


FlockFact = (
    EggsSet
    | EggsTended
    | Hatched
    | Banded
    | BandLost
    | BandReplaced
    | Moved
    | Died
    | Sold
    | Grouped
    | Counted
    | LotMoved
    | LotLess
    | PenNamed
    | Retracted
)
