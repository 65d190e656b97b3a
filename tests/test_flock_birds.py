"""Birds and their bands: who wore which when, what contradicts, what is taken back."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from voicelog.bookkeeping import check_lots, enter, fact
from voicelog.flock import bird_history, lot_history, pen_history, without_lot, yard_now
from voicelog.ledger import CallMade, CallVoided, Contradiction, Draft, Event, Fact, Ledger, NoteKept, new_id
from voicelog.values import Call, VoicelogError


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "yard.ledger") as opened:
        opened.db.execute("PRAGMA synchronous=OFF")
        yield opened


def may(day: int) -> date:
    return date(2026, 5, day)


def call(day: int, band: int, **slots: object) -> CallMade:
    return CallMade(call=Call.model_validate({"band": band, **slots}), on=may(day))


def one(ledger: Ledger, made: Fact) -> Event:
    return enter(ledger, [made])[0]


def heads(ledger: Ledger, band: int) -> list[str]:
    return [history.head for history in bird_history(ledger, band)]


def test_a_band_is_used_again_for_another_bird(ledger: Ledger) -> None:
    one(ledger, fact("banded", may(1), band=42, lot="A1", pen="3"))
    one(ledger, call(2, 42, sex="male"))
    one(ledger, fact("died", may(3), band=42))
    one(ledger, fact("banded", may(20), band=42, lot="B2", pen="4"))
    one(ledger, call(21, 42, sex="female"))
    # A call that was written down late belongs to the bird that wore the band on its day.
    one(ledger, call(2, 42, weight_g=120.0))
    assert heads(ledger, 42) == [
        "band 42, lot A1, pen 3, male (called 2026-05-02), 120 g, dead on 2026-05-03",
        "band 42, lot B2, pen 4, female (called 2026-05-21)",
    ]


def test_a_lost_band_is_replaced_on_the_same_bird(ledger: Ledger) -> None:
    one(ledger, fact("banded", may(1), band=7, lot="A1", pen="3"))
    one(ledger, call(2, 7, sex="female"))
    one(ledger, fact("band_lost", may(5), band=7))
    assert heads(ledger, 7) == ["no band now (was 7), lot A1, pen 3, female (called 2026-05-02)"]
    # The number is free; its new wearer is another bird.
    one(ledger, fact("banded", may(6), band=7, lot="A1", pen="3"))
    with pytest.raises(Contradiction, match="given twice"):
        one(ledger, fact("band_replaced", may(7), band=7, new=7))


def test_a_replaced_band_keeps_the_history(ledger: Ledger) -> None:
    one(ledger, fact("banded", may(1), band=7, pen="3"))
    one(ledger, fact("band_lost", may(5), band=7))
    one(ledger, fact("band_replaced", may(6), band=7, new=107))
    one(ledger, call(8, 107, weight_g=200.0))
    assert heads(ledger, 107) == heads(ledger, 7) == ["band 107, pen 3, 200 g"]
    (history,) = bird_history(ledger, 107)
    assert [entry.says for entry in history.entries] == [
        "band 7: put on in pen 3",
        "band 7: lost",
        "band 7: replaced by 107",
        "band 107: 200 g",
    ]


def test_a_bird_wears_one_band_at_a_time(ledger: Ledger) -> None:
    one(ledger, fact("banded", may(1), band=7, pen="3"))
    first = one(ledger, fact("band_replaced", may(6), band=7, new=107))
    with pytest.raises(
        Contradiction, match="replaced by 108 on 2026-05-07, but its bird wears 107 instead already"
    ) as no:
        one(ledger, fact("band_replaced", may(7), band=7, new=108))
    assert no.value.conflicts[0].other == first.id
    one(ledger, fact("band_replaced", may(7), band=107, new=7))
    assert heads(ledger, 107) == heads(ledger, 7) == ["band 7, pen 3"]


def test_a_lot_with_too_few_birds_is_mended_step_by_step(ledger: Ledger) -> None:
    """As after a merge: two barns took more out of a pen than was in it."""
    facts = [fact("hatched", may(1), lot="A1", variety="white", count=4, pen="1")]
    facts += [fact("lot_moved", may(2), lot="A1", count=2, from_pen="1", pen=str(pen)) for pen in (5, 6, 7, 8)]
    kept = ledger.keep([Draft(id=new_id(), session="s", fact=made) for made in facts])
    assert [conflict.short for conflict in ledger.conflicts()] == [4]
    with pytest.raises(Contradiction, match="5 more birds"):
        one(ledger, fact("lot_less", may(3), lot="A1", count=1, pen="1", why="died"))
    # Another fact about the lot, which changes nothing there, is no new contradiction.
    one(ledger, fact("lot_less", may(3), lot="A1", count=1, pen="5", why="died"))
    one(ledger, fact("retracted", target=kept[1].id, reason="it was the other barn"))
    assert [conflict.short for conflict in ledger.conflicts()] == [3]
    one(ledger, fact("retracted", target=kept[2].id, reason="it was the other barn"))
    assert [conflict.short for conflict in ledger.conflicts()] == [1]


def test_a_hatch_is_not_taken_back_while_birds_wear_bands_of_it(ledger: Ledger) -> None:
    hatch = one(ledger, fact("hatched", may(1), lot="A1", variety="white", count=4, pen="1"))
    bandings = enter(ledger, [fact("banded", may(9), band=band, lot="A1", pen="1") for band in (1, 2)])
    wrong = fact("retracted", target=hatch.id, reason="oops")
    with pytest.raises(Contradiction, match="its hatch was taken back, but 2 birds were banded out of it"):
        one(ledger, wrong)
    assert lot_history(ledger, "A1").head.startswith("lot A1: white, 4 hatched")
    # With the right one in its place it may go, and so may one that nobody was banded out of any more.
    again = enter(ledger, [wrong, fact("hatched", may(1), lot="A1", variety="white", count=5, pen="1")])[1]
    enter(ledger, [fact("retracted", target=banding.id, reason="another lot") for banding in bandings])
    one(ledger, fact("retracted", target=again.id, reason="another lot"))
    assert ledger.conflicts() == []


def test_a_hatch_taken_back_elsewhere_is_a_conflict_until_that_is_undone(ledger: Ledger) -> None:
    """As after a merge: one barn took the hatch back, the other put bands on."""
    facts = [fact("hatched", may(1), lot="A1", variety="white", count=4, pen="1")]
    facts += [fact("banded", may(9), band=1, lot="A1", pen="1")]
    hatch, _ = ledger.keep([Draft(id=new_id(), session="s", fact=made) for made in facts])
    undone = Draft(id=new_id(), session="s", fact=fact("retracted", target=hatch.id, reason="oops"))
    ledger.keep([undone])
    (conflict,) = ledger.conflicts()
    assert (conflict.event, conflict.about) == (undone.id, "lot A1")
    assert conflict.says == "its hatch was taken back, but 1 bird was banded out of it"
    one(ledger, fact("retracted", target=conflict.event, reason="it did hatch"))
    assert ledger.conflicts() == []


def test_a_lot_that_is_only_told_of_is_no_lot_of_the_book(ledger: Ledger) -> None:
    """As after a merge: one barn sold birds of a lot that the other never entered, and a bird wears a band of it."""
    facts = [fact("lot_less", may(3), lot="B9", count=1, pen="1", why="sold")]
    facts += [fact("banded", may(3), band=1, lot="B9", pen="1")]
    ledger.keep([Draft(id=new_id(), session="s", fact=made) for made in facts])
    assert ledger.lots().lots == {}
    assert [conflict.says for conflict in ledger.conflicts()] == ["no such lot is in the book"]
    assert without_lot(yard_now(ledger)) == {"1": 1}
    with pytest.raises(VoicelogError, match="no lot B9 in this ledger; enter it with"):
        check_lots(ledger, [fact("banded", band=2, lot="B9")])
    with pytest.raises(VoicelogError, match="no lot B9 in this ledger; enter it with"):
        lot_history(ledger, "B9")
    one(ledger, fact("hatched", may(1), lot="B9", variety="white", count=4, pen="1"))
    assert ledger.conflicts() == [] and list(ledger.lots().lots) == ["B9"]
    assert without_lot(yard_now(ledger)) == {}


def test_of_too_many_birds_taken_out_the_last_taking_is_named(ledger: Ledger) -> None:
    facts = [fact("hatched", may(1), lot="A1", variety="white", count=2, pen="1")]
    facts += [fact("lot_less", may(3), lot="A1", count=1, pen="1", why="sold")]
    facts += [fact("banded", may(9), band=band, lot="A1", pen="1") for band in (1, 2)]
    facts += [fact("lot_moved", may(5), lot="A1", count=1, from_pen="1", pen="2")]
    # Nothing that took a bird out of this pen.
    facts += [fact("lot_less", may(20), lot="A1", count=1, pen="2", why="died")]
    kept = ledger.keep([Draft(id=new_id(), session="s", fact=made) for made in facts])
    for taken, says in ((3, "2 more birds"), (2, "1 more birds")):
        (conflict,) = ledger.conflicts()
        assert conflict.event == kept[taken].id and conflict.says.startswith(f"{says} were taken out of pen 1")
        one(ledger, fact("retracted", target=conflict.event, reason="another lot"))
    assert ledger.conflicts() == []
    one(ledger, fact("hatched", may(1), lot="B1", variety="white", count=2, pen="1"))
    with pytest.raises(Contradiction) as no:
        enter(ledger, [fact("banded", may(9), band=band, lot="B1") for band in (7, 8)])
    assert no.value.places == (2,)


def test_a_bird_called_before_it_was_entered_is_the_same_bird(ledger: Ledger) -> None:
    one(ledger, call(1, 12, sex="female"))
    one(ledger, fact("banded", may(2), band=12, lot="A1", pen="3"))
    assert heads(ledger, 12) == ["band 12, lot A1, pen 3, female (called 2026-05-01)"]
    with pytest.raises(Contradiction, match="given twice"):
        one(ledger, fact("banded", may(3), band=12, lot="A1", pen="3"))


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (fact("banded", may(9), band=1, pen="4"), "band 1: given twice: a live bird wears it on 2026-05-09"),
        (call(9, 2, sex="male"), "band 2: called on 2026-05-09, but its bird died on 2026-05-05"),
        (call(9, 3, sex="male"), "band 3: called on 2026-05-09, but its bird was sold on 2026-05-05"),
        (fact("moved", may(9), band=2, pen="4"), "band 2: moved on 2026-05-09, but its bird died"),
        (fact("sold", may(9), band=3), "band 3: sold on 2026-05-09, but its bird was sold"),
        (fact("died", may(9), band=99), "band 99: nobody wears that band on 2026-05-09"),
        (fact("moved", may(9), band=1, pen="4", from_pen="8"), "band 1: taken from pen 8, but it is in pen 3"),
        (fact("band_replaced", may(9), band=1, new=4), "band 4: given twice"),
        # On a day before it was banded, nobody wore it.
        (fact("moved", date(2026, 4, 9), band=1, pen="4"), "band 1: nobody wears that band on 2026-04-09"),
        # Written down late, it contradicts what was written before.
        (fact("died", may(2), band=4), "band 4: moved on 2026-05-05, but its bird died on 2026-05-02"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_lost(ledger: Ledger, wrong: Fact, says: str) -> None:
    facts = [fact("banded", may(1), band=band, pen="3") for band in (1, 2, 3, 4)]
    facts += [fact("died", may(5), band=2), fact("sold", may(5), band=3), fact("moved", may(5), band=4, pen="5")]
    enter(ledger, facts)
    before = (list(ledger.events()), list(ledger.db.query("SELECT * FROM bird")))
    with pytest.raises(Contradiction) as raised:
        enter(ledger, [fact("pen_named", may(9), pen="4", use="males"), wrong])
    assert str(raised.value).startswith(says)
    assert "\n" not in str(raised.value)
    assert (list(ledger.events()), list(ledger.db.query("SELECT * FROM bird"))) == before
    assert ledger.verify() == []


def test_a_retraction_can_be_retracted(ledger: Ledger) -> None:
    one(ledger, fact("banded", may(1), band=1, pen="3"))
    death = one(ledger, fact("died", may(2), band=1, cause="cold"))
    undone = one(ledger, fact("retracted", target=death.id, reason="it was band 7"))
    assert heads(ledger, 1) == ["band 1, pen 3"]
    (history,) = bird_history(ledger, 1)
    assert [entry.fate for entry in history.entries] == ["", "taken back: it was band 7"]
    one(ledger, fact("retracted", target=undone.id, reason="no, it was 1"))
    assert heads(ledger, 1) == ["band 1, pen 3, dead on 2026-05-02"]


def test_a_voided_call_can_be_brought_back(ledger: Ledger) -> None:
    made = one(ledger, call(1, 5, sex="male"))
    struck = one(ledger, CallVoided(target=made.id))
    with pytest.raises(VoicelogError, match="no bird"):
        bird_history(ledger, 5)
    one(ledger, fact("retracted", target=struck.id, reason="struck by mistake"))
    assert heads(ledger, 5) == ["band 5, male (called 2026-05-01)"]


def test_a_hen_that_is_a_male_now_shows_both_calls(ledger: Ledger) -> None:
    one(ledger, call(1, 5, sex="female"))
    one(ledger, call(8, 5, sex="male", foam="yes"))
    (history,) = bird_history(ledger, 5)
    assert history.head == "band 5, male (called 2026-05-08), sex changed on 2026-05-08"
    assert [entry.says for entry in history.entries] == ["band 5: female", "band 5: male, foam yes"]
    assert [entry.fate for entry in history.entries] == ["", ""]


def test_no_more_eggs_are_taken_out_than_are_left(ledger: Ledger) -> None:
    one(ledger, fact("eggs_set", may(1), lot="E1", variety="white", count=20))
    one(ledger, fact("eggs_tended", may(8), lot="E1", task="candle", removed=6))
    for removed in (15, 40):
        with pytest.raises(Contradiction, match=f"lot E1: {removed} eggs taken out on 2026-05-15, but 14 were left"):
            one(ledger, fact("eggs_tended", may(15), lot="E1", task="stop turning", removed=removed))
    assert lot_history(ledger, "E1").head == (
        "lot E1: white, 20 eggs set on 2026-05-01, 6 taken out; no banded birds now"
    )
    one(ledger, fact("eggs_tended", may(15), lot="E1", task="stop turning", removed=14))
    assert ledger.lots().lots["E1"].eggs == 0


def test_a_ledger_in_which_too_many_eggs_were_taken_out_has_them_on_the_list_again(ledger: Ledger) -> None:
    facts = [fact("eggs_set", may(1), lot="E1", variety="white", count=20)]
    facts += [fact("eggs_tended", may(8), lot="E1", task="candle", removed=40)]
    kept = ledger.keep([Draft(id=new_id(), session="s", fact=made) for made in facts])
    (conflict,) = ledger.conflicts()
    assert (conflict.event, conflict.other) == (kept[1].id, kept[0].id)
    lot = ledger.lots().lots["E1"]
    assert (lot.eggs, lot.tended) == (20, {})


def test_a_bird_that_was_called_twice_is_one_bird(ledger: Ledger) -> None:
    enter(ledger, [fact("banded", may(5), band=band, pen="3") for band in (3, 4)])
    enter(ledger, [call(6, 3, sex="male", pen="3"), call(6, 3, sex="male", pen="3")])
    enter(ledger, [call(7, band, sex="male", pen="3") for band in (3, 4, 3)])
    assert [entry.says for entry in pen_history(ledger, "3").entries] == [
        "2 birds (3-4): put on in pen 3",
        "band 3: male, to pen 3, 2 times",
        "2 birds (3-4): male, to pen 3",
    ]


def test_a_voice_note_is_in_the_history_of_its_bird(ledger: Ledger) -> None:
    one(ledger, call(1, 5, sex="female"))
    note = ledger.append(Draft(id=new_id(), session="s", fact=NoteKept(band=5)))
    (history,) = bird_history(ledger, 5)
    assert history.entries[-1].id == note.id


def test_pen_and_lot_tell_alike_facts_together(ledger: Ledger) -> None:
    one(ledger, fact("hatched", may(1), lot="A1", variety="white", count=30, pen="1"))
    enter(ledger, [fact("banded", may(5), band=band, lot="A1", pen="3", from_pen="1") for band in (1, 2, 3, 7)])
    enter(ledger, [call(6, band, sex="female") for band in (1, 2)] + [call(6, 7, sex="male", pen="9")])
    lot = lot_history(ledger, "A1")
    assert lot.head == (
        "lot A1: white, 30 hatched on 2026-05-01; banded birds now: 2 female, 1 male, 1 not sexed; "
        "without bands: 26 in pen 1"
    )
    assert [entry.says for entry in lot.entries] == [
        "30 hatched in pen 1",
        "4 birds (1-3,7): put on of lot A1 in pen 3",
        "2 birds (1-2): female",
        "band 7: male, to pen 9",
    ]
    assert pen_history(ledger, "9").head == "pen 9; banded birds now: 1 male"
    enter(ledger, [fact("lot_moved", may(7), lot="A1", count=6, from_pen="1", pen="9")])
    enter(ledger, [fact("hatched", may(8), lot="B2", variety="white", count=3, pen="9")])
    enter(ledger, [fact("hatched", may(8), lot="C3", variety="white", count=2)])
    assert pen_history(ledger, "9").head == "pen 9; banded birds now: 1 male; without bands: 6 of lot A1, 3 of lot B2"
    assert lot_history(ledger, "A1").head.endswith("; without bands: 20 in pen 1, 6 in pen 9")
    assert lot_history(ledger, "C3").head.endswith("no banded birds now; without bands: 2 in no pen that was named")
    for ask, name in ((lot_history, "Z"), (pen_history, "77")):
        with pytest.raises(VoicelogError, match=name):
            ask(ledger, name)
