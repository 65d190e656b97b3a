"""What makes a call risky although it was heard surely: it does not fit what is known of the bird."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from voicelog.session import wording
from voicelog.session.purpose import Kind
from voicelog.session.state import Entry, Known, done, sexes, today
from voicelog.values import Call


@dataclass(frozen=True, slots=True)
class Risk:
    """What is known ("four two was female today"), and what to ask in its face ("male now?")."""

    known: str
    asks: str


@dataclass(frozen=True, slots=True)
class Background:
    """What a call about one bird is held against.

    `calls` are the calls in effect, without the one that is being corrected.
    `corrected` is that one, when it is about the same bird: what the new call
    leaves as it was needs no second question. `named` says that the band was
    said with the call, so that a bird was taken up just now. `surely`: two
    listeners heard the words so surely that what only sounds like them was not said.
    `expected_weight_g` is the least and the greatest, in grams.
    """

    band: int
    calls: Sequence[Entry]
    known: Known | None
    expected_weight_g: tuple[float, float]
    corrected: Call | None
    named: bool
    surely: bool = False
    kind: Kind = "check"


def find_risks(call: Call, background: Background) -> list[Risk]:
    """Every reason to ask before the call is written, the most telling first."""
    stays = background.corrected.said() if background.corrected else {}
    new = call.model_copy(update={name: None for name, value in call.said().items() if stays.get(name) == value})
    return [*_sex(new, background), *_other_slots(new, background), *_weight(new, background), *_lost(new, background)]


def _sex(new: Call, background: Background) -> Iterator[Risk]:
    """Another sex than before, or a sex for a bird that is done: it may be another bird.

    Unsure contradicts nothing that an earlier session found, and may become
    either sex; but a sex called today becomes unsure only after a question.
    """
    if new.sex is None:
        return
    band, known = background.band, background.known
    earlier = sexes(background.calls).get(band)
    taken_up_again = not background.corrected and (background.named or earlier == new.sex)
    if earlier in {"male", "female"} and earlier != new.sex:
        yield Risk(wording.was(band, "sex", earlier, "today"), wording.now("sex", new.sex))
    elif known and earlier != new.sex and {known.sex, new.sex} == {"male", "female"}:
        yield Risk(wording.was(band, "sex", known.sex, known.when), wording.now("sex", new.sex))
    elif taken_up_again and band in done(background.calls, background.kind):
        yield Risk(wording.done_already(band), wording.AGAIN)


def _other_slots(new: Call, background: Background) -> Iterator[Risk]:
    earlier = today(background.calls, background.band).said()
    for name, value in new.said().items():
        if name != "sex" and earlier.get(name, value) != value:
            yield Risk(wording.was(background.band, name, earlier[name], "today"), wording.now(name, value))


def _weight(new: Call, background: Background) -> Iterator[Risk]:
    least, greatest = background.expected_weight_g
    if new.weight_g is not None and not least <= new.weight_g <= greatest:
        yield Risk(wording.out_of_range(background.band, new.weight_g, heavy=new.weight_g > greatest), wording.RIGHT)


def _lost(new: Call, background: Background) -> Iterator[Risk]:
    """A bird that is culled or dead cannot be called back, and one that is hurt is set apart.

    "Cull" sounds like "cock", "dead" in noise like "hen", and "injured" like "unsure"; a bystander or a clatter behind
    a call was heard as "dead" too, however surely. With a sex beside it, it is none of them. A sex that was called
    before is no such help to "cull": it may have been said again.
    """
    band, earlier, corrected = background.band, today(background.calls, background.band), background.corrected
    known = earlier.sex or earlier.condition or (corrected and corrected.sex)
    if new.sex is not None:
        return
    asked = {"dead"} if known or background.surely else {"dead", "sick", "injured"}
    if new.fate == "cull" and not background.surely:
        yield Risk(wording.to_be_culled(band), wording.RIGHT)
    elif new.condition in asked:
        yield Risk(wording.found(band, new.condition), wording.RIGHT)
