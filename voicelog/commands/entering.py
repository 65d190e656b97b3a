"""The commands that enter what happened in the yard: eggs, hatches, bands, pens, losses, groups."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import LEDGER, LOT, ON, PEN, warn_of_clock
from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, ledger_path, settings_now

if TYPE_CHECKING:
    from voicelog.ledger import Fact

COUNT = click.option("--count", type=click.IntRange(1), help="How many birds without bands.")
BANDS = click.argument("bands", required=False)


def _enter(ledger: Path | None, facts: list[Fact], told: str, lot: str | None = None) -> None:
    """Enter facts, of birds of a lot where it is named."""
    from voicelog.bookkeeping import check_lots, enter, out_of_its_pen
    from voicelog.ledger import Ledger

    with Ledger.open(ledger_path(settings_now(), ledger)) as book:
        check_lots(book, facts)
        warn_of_clock(book)
        enter(book, facts if lot is None else out_of_its_pen(book, lot, facts))
    click.echo(told)


def _bands(bands: str) -> tuple[int, ...]:
    from voicelog.grammar import parse_roster

    return parse_roster(bands)


def _one_way(bands: str | None, lot: str | None, count: int | None, **others: object) -> None:
    """Raises VoicelogError unless either bands are named or birds without bands, and nothing that goes with birds
    without bands alone (`others`, by its option) beside bands: it would be told as done, and not be written."""
    ways = "name either bands, such as 3,7,12-40, or --lot and --count of birds without bands"
    if bands is None and (lot is None or count is None):
        raise VoicelogError(ways)
    without_bands = {"lot": lot, "count": count, **others}
    too_much = [f"--{name}" for name, value in without_bands.items() if value is not None]
    if bands is not None and too_much:
        raise VoicelogError(f"{ways}: leave out {' and '.join(too_much)}, or the bands")


@click.command("set-eggs")
@click.argument("lot")
@click.option("--variety", required=True, help="One of the varieties file.")
@click.option("--count", type=click.IntRange(1), required=True, help="How many eggs.")
@click.option("--parents", help="The group that laid them.")
@ON
@LEDGER
def set_eggs(lot: str, variety: str, count: int, parents: str | None, on: date | None, ledger: Path | None) -> None:
    """Eggs go into the incubator as a new lot.

    Example: voicelog set-eggs A7 --variety white --count 60
    """
    from voicelog.bookkeeping import fact

    check_plans(settings_now()).must_know(variety)
    made = fact("eggs_set", on, lot=lot, variety=variety, count=count, parents=parents)
    _enter(ledger, [made], f"lot {lot}: {count} eggs of {variety} set")


@click.command("tend-eggs")
@click.argument("lot")
@click.argument("task", type=click.Choice(["candle", "stop-turning"]))
@click.option("--removed", type=click.IntRange(0), default=0, help="Eggs taken out.")
@ON
@LEDGER
def tend_eggs(lot: str, task: str, removed: int, on: date | None, ledger: Path | None) -> None:
    """Eggs were candled, or are no longer turned.

    Example: voicelog tend-eggs A7 candle --removed 4
    """
    from voicelog.bookkeeping import fact

    made = fact("eggs_tended", on, lot=lot, task=task.replace("-", " "), removed=removed)
    _enter(ledger, [made], f"lot {lot}: {task.replace('-', ' ')}, {removed} eggs taken out")


@click.command()
@click.argument("lot")
@click.option("--count", type=click.IntRange(1), required=True, help="How many chicks.")
@click.option("--variety", help="Needed where the lot's eggs are not in the book.")
@click.option("--parents", help="The group that laid the eggs.")
@PEN
@ON
@LEDGER
def hatch(
    lot: str, count: int, variety: str | None, parents: str | None, pen: str | None, on: date | None,
    ledger: Path | None,
) -> None:  # fmt: skip
    """A lot hatched, or came as chicks.

    Example: voicelog hatch A7 --count 51 --pen 1
    """
    from voicelog.bookkeeping import fact

    if variety is not None:
        check_plans(settings_now()).must_know(variety)
    made = fact("hatched", on, lot=lot, count=count, variety=variety, parents=parents, pen=pen)
    _enter(ledger, [made], f"lot {lot}: {count} hatched")


@click.command()
@click.argument("bands")
@LOT
@PEN
@click.option("--from", "from_pen", help="The pen that they were in until now, where it is another one.")
@ON
@LEDGER
def band(
    bands: str, lot: str | None, pen: str | None, from_pen: str | None, on: date | None, ledger: Path | None
) -> None:
    """Birds get their first bands, or banded birds that were called already get their lot.

    Example: voicelog band 1-40 --lot A7 --pen 3
    """
    from voicelog.bookkeeping import fact

    numbers = _bands(bands)
    facts = [fact("banded", on, band=number, lot=lot, pen=pen, from_pen=from_pen) for number in numbers]
    _enter(ledger, facts, f"{len(numbers)} banded", lot)


@click.command("lost-band")
@click.argument("band", type=int)
@click.option("--new", type=int, help="The band that the bird wears instead.")
@ON
@LEDGER
def lost_band(band: int, new: int | None, on: date | None, ledger: Path | None) -> None:
    """A bird lost its band; it is the same bird under its new one.

    Example: voicelog lost-band 42 --new 142
    """
    from voicelog.bookkeeping import fact

    made = fact("band_lost", on, band=band) if new is None else fact("band_replaced", on, band=band, new=new)
    _enter(ledger, [made], f"band {band} lost" + ("" if new is None else f"; its bird wears {new}"))


@click.command()
@BANDS
@click.option("--to", "pen", required=True, help="The pen that they go to.")
@click.option("--from", "from_pen", help="The pen that they come from.")
@LOT
@COUNT
@click.option("--sex", type=click.Choice(["male", "female"]), help="What the tally said of the birds without bands.")
@ON
@LEDGER
def move(
    bands: str | None, pen: str, from_pen: str | None, lot: str | None, count: int | None, sex: str | None,
    on: date | None, ledger: Path | None,
) -> None:  # fmt: skip
    """Birds go to another pen.

    Example: voicelog move 3,7,12 --to 9; without bands: voicelog move --lot A7 --count 20 --from 1 --to 9 --sex male
    """
    from voicelog.bookkeeping import fact

    _one_way(bands, lot, count, sex=sex)
    if bands is None:
        facts = [fact("lot_moved", on, lot=lot, count=count, pen=pen, from_pen=from_pen, sex=sex)]
    else:
        facts = [fact("moved", on, band=number, pen=pen, from_pen=from_pen) for number in _bands(bands)]
    _enter(ledger, facts, f"{count or len(facts)} to pen {pen}", lot)


@click.command()
@BANDS
@LOT
@COUNT
@PEN
@click.option("--cause", help="In your own words.")
@ON
@LEDGER
def died(
    bands: str | None, lot: str | None, count: int | None, pen: str | None, cause: str | None, on: date | None,
    ledger: Path | None,
) -> None:  # fmt: skip
    """Birds died. Sudden deaths: tell the authority in charge of animal health.

    Example: voicelog died 42 --cause "egg bound"; without bands: voicelog died --lot A7 --count 2 --pen 1
    """
    _gone("died", bands, lot, count, pen, cause, on, ledger)


@click.command()
@BANDS
@LOT
@COUNT
@PEN
@ON
@LEDGER
def sold(
    bands: str | None, lot: str | None, count: int | None, pen: str | None, on: date | None, ledger: Path | None
) -> None:
    """Birds were sold or given away; their bands are free again.

    Example: voicelog sold 3,7,12
    """
    _gone("sold", bands, lot, count, pen, None, on, ledger)


def _gone(
    why: str, bands: str | None, lot: str | None, count: int | None, pen: str | None, cause: str | None,
    on: date | None, ledger: Path | None,
) -> None:  # fmt: skip
    from voicelog.bookkeeping import fact

    _one_way(bands, lot, count, pen=pen)
    if bands is None and cause is not None:
        raise VoicelogError("--cause is kept of birds with bands alone: leave it out")
    if bands is None:
        facts = [fact("lot_less", on, lot=lot, count=count, pen=pen, why=why)]
    else:
        facts = [fact(why, on, band=number, cause=cause) for number in _bands(bands)]
    _enter(ledger, facts, f"{count or len(facts)} {why}", lot)


@click.command()
@click.argument("name")
@click.argument("bands")
@click.option("--pen", required=True, help="The pen in which the group lives.")
@ON
@LEDGER
def group(name: str, bands: str, pen: str, on: date | None, ledger: Path | None) -> None:
    """Birds become a breeding group and go to its pen.

    Example: voicelog group G1 4,12,17,23,31,36 --pen 9
    """
    from voicelog.bookkeeping import fact

    numbers = _bands(bands)
    facts = [fact("grouped", on, band=number, group=name, pen=pen) for number in numbers]
    facts.append(fact("pen_named", on, pen=pen, use="breeding"))
    _enter(ledger, facts, f"group {name}: {len(numbers)} birds in pen {pen}")


@click.command("name-pen")
@click.argument("pen")
@click.option("--title", help="What it is called besides its number.")
@click.option("--use", type=click.Choice(["young", "hens", "males", "breeding"]), help="What it is for.")
@ON
@LEDGER
def name_pen(pen: str, title: str | None, use: str | None, on: date | None, ledger: Path | None) -> None:
    """What a pen is called and for. Males found are sent to the pen for males.

    Example: voicelog name-pen 9 --use males
    """
    from voicelog.bookkeeping import fact

    if title is None and use is None:
        raise VoicelogError("say what the pen is called or for: --title or --use")
    _enter(ledger, [fact("pen_named", on, pen=pen, title=title, use=use)], f"pen {pen}: {title or use}")
