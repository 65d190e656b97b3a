"""Tally, banding, weigh-in, roll call and move: typed into real sittings over a real ledger."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from flock_help import Keeper

from voicelog.beginning import begin
from voicelog.bookkeeping import enter, fact
from voicelog.flock import bird_history, load_plans, lot_history, yard_now
from voicelog.grammar import CallSaid, Grammars
from voicelog.ledger import CallMade, Draft, Ledger, SessionStarted, new_id
from voicelog.places import shipped
from voicelog.resuming import go_on
from voicelog.session import Kind, Settings, Turn, resume, start, step
from voicelog.sitting import Sitting
from voicelog.values import Call, Verdict, VoicelogError

PLANS = load_plans(shipped("grammars", "varieties.toml"))
GRAMMARS = Grammars(shipped("grammars"))


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger.open(tmp_path / "yard.ledger") as opened:
        opened.db.execute("PRAGMA synchronous=OFF")
        enter(opened, [fact("hatched", lot="A7", variety="wild type", count=60, pen="1")])
        enter(opened, [fact("pen_named", pen="9", use="males")])
        enter(opened, [fact("banded", band=band, lot="A7", from_pen="1", pen="3") for band in (3, 7, 12, 30)])
        yield opened


Sit = Callable[..., Sitting]


@pytest.fixture
def sit(ledger: Ledger) -> Sit:
    def open_one(kind: Kind, **named: str) -> Sitting:
        plan = begin(ledger, PLANS, kind, **named)  # type: ignore[arg-type]
        state = start(plan.roster, plan.known, purpose=plan.purpose, gone=plan.gone)
        return Sitting(GRAMMARS, state, ledger=ledger)

    return open_one


def talk(sitting: Sitting, script: str) -> None:
    """Lines of "what is said = what is said back"; "?" begins a question, "-" a refusal."""
    marks = {Verdict.ACCEPT: "", Verdict.ASK: "? ", Verdict.REJECT: "- "}
    for line in script.strip().splitlines():
        said, _, expected = (part.strip() for part in line.partition("="))
        taken = sitting.type(said)
        assert (marks[taken.outcome.verdict] + taken.reply).strip() == expected, said


def test_a_tally_counts_one_word_a_bird(sit: Sit, ledger: Ledger) -> None:
    sitting = sit("tally", pen="1")
    talk(
        sitting,
        """
        strike that = - nothing to strike
        hen = female one
        rooster = male one
        cock = male two
        unsure = unsure one
        strike that = struck: unsure; zero unsure
        band twelve male = - say again
        male = male three
        how many = four: one female, three male
        repeat = four: one female, three male
        pause listening = paused
        hen = -
        resume listening = listening, four: one female, three male
        finish session = finished. four: one female, three male. three male to pen nine, the others stay.
        """,
    )
    (tally,) = ledger.db.query("SELECT lot, pen, male, female, unsure FROM tally")
    assert tally == {"lot": "A7", "pen": "1", "male": 3, "female": 1, "unsure": 0}
    assert yard_now(ledger).loose == {("A7", "1"): 56}


def test_a_tally_says_the_sum_at_every_tenth_bird(sit: Sit) -> None:
    sitting = sit("tally", pen="1")
    replies = [sitting.type("hen").reply for _ in range(20)]
    assert [reply.partition(". ")[2] for reply in replies] == [*[""] * 9, "ten", *[""] * 9, "twenty"]


@pytest.mark.parametrize("certainty", [0.1, 0.5, 0.84])
def test_a_tally_counts_nothing_that_is_not_heard_surely(certainty: float) -> None:
    """A question would take longer than the word: it is said again."""
    state = start((), purpose=begin(None, PLANS, "tally", pen="1").purpose)
    turn = Turn("a", CallSaid(call=Call(sex="male")), "male", certainty)
    outcome = step(state, turn)
    assert (outcome.verdict, outcome.facts, outcome.state.counted) == (Verdict.REJECT, (), ())
    doubted = step(state, Turn("a", CallSaid(call=Call(sex="male")), "male", 0.9, doubts=("it may be hen",)))
    assert doubted.facts == ()


def test_a_tally_goes_on_where_a_power_cut_left_it(sit: Sit, ledger: Ledger) -> None:
    sitting = sit("tally", pen="1")
    for said in ("hen", "rooster", "strike that", "hen"):
        sitting.type(said)
    facts = [(event.id, event.fact) for event in ledger.events(session=sitting.session)]
    assert resume((), facts, purpose=sitting.state.purpose).counted == sitting.state.counted


def test_banding_says_the_next_free_band_first(sit: Sit, ledger: Ledger) -> None:
    plan = begin(ledger, PLANS, "banding", pen="1")
    assert plan.opening == "next one"
    assert plan.roster[:5] == (1, 2, 4, 5, 6)  # 3 is worn by a live bird
    talk(
        sit("banding", pen="1"),
        """
        hen foam no = one, female, foam no. next two
        two hundred grams = one, two zero zero grams
        rooster = two, male. next four
        strike that = struck: two, male
        how many left = one banded, next two
        hen = two, female. next four
        band six unsure = six, unsure
        correction = correct six
        male = corrected: six, male
        unsure = four, unsure. next five
        finish session = finished. four birds: one male, two female, one unsure.
        """,
    )
    assert [history.head.partition(" (")[0] for band in (1, 2, 4, 6) for history in bird_history(ledger, band)] == [
        "band 1, lot A7, pen 1, female",
        "band 2, lot A7, pen 1, female",
        "band 4, lot A7, pen 1, unsure",
        "band 6, lot A7, pen 1, male",
    ]
    assert yard_now(ledger).loose == {("A7", "1"): 52}
    assert ledger.conflicts() == []
    assert ledger.verify() == []


def test_a_weigh_in_is_done_with_the_weights(sit: Sit) -> None:
    talk(
        sit("weighing", pen="3"),
        """
        band three two hundred grams = three, two zero zero grams
        band seven = seven
        seven and a half ounces = seven, two one two point six grams
        band seven two hundred grams = ? seven was two one two point six grams today; two zero zero grams now?
        no = not written
        band twelve nine hundred grams = ? one two at nine zero zero grams is heavy; right?
        no = not written
        band twelve male = - say again
        who is left = left: one two, three zero
        finish session = finished. two birds weighed. not weighed: one two, three zero.
        """,
    )


def test_a_roll_call_names_who_was_not_seen(sit: Sit) -> None:
    talk(
        sit("roll call", pen="3"),
        """
        band three = three
        band thirty = three zero
        how many left = two left
        finish session = finished. two birds seen. not seen: seven, one two.
        """,
    )


def test_a_move_sends_each_bird_to_its_pen(sit: Sit, ledger: Ledger) -> None:
    talk(
        sit("moving", pen="3", to="9"),
        """
        band three = three, to pen nine
        band seven = seven, to pen nine
        strike that = struck: seven, to pen nine
        finish session = finished. one bird to pen nine.
        """,
    )
    heads = {band: bird_history(ledger, band)[0].head for band in (3, 7)}
    assert heads == {3: "band 3, lot A7, pen 9", 7: "band 7, lot A7, pen 3"}


def test_a_hen_that_is_a_male_now_is_asked_about_once(sit: Sit, ledger: Ledger) -> None:
    enter(ledger, [CallMade(call=Call(band=7, sex="female"))])
    talk(
        sit("check", pen="3"),
        """
        band seven male = ? seven was female earlier today; male now?
        yes = seven, male
        finish session = finished. one bird: one male. not seen: three, one two, three zero.
        """,
    )
    talk(sit("check", pen="3"), "band seven male = seven, male")
    (history,) = bird_history(ledger, 7)
    assert [entry.says for entry in history.entries if not entry.fate] == [
        "band 7: put on of lot A7 in pen 3", "band 7: female", "band 7: male", "band 7: male",
    ]  # fmt: skip


def test_a_bird_that_died_or_was_sold_takes_no_call(sit: Sit, ledger: Ledger) -> None:
    enter(ledger, [fact("died", band=7), fact("sold", band=12)])
    sitting = sit("check")  # every band from 1 to 299
    talk(sitting, "band seven male = - seven is dead\nband twelve hen = - one two is sold")
    enter(ledger, [fact("banded", band=7, lot="A7", pen="1")])
    talk(sit("check"), "band seven male = seven, male")


@pytest.mark.parametrize(
    ("kind", "named", "says"),
    [
        ("moving", {}, "--to"),
        ("tally", {"lot": "Z"}, "no lot Z"),
        ("tally", {"pen": "1"}, "lots A7, B8"),
    ],
)
def test_what_a_kind_needs_is_asked_for(ledger: Ledger, kind: Kind, named: dict[str, str], says: str) -> None:
    enter(ledger, [fact("hatched", lot="B8", variety="white", count=3, pen="1")])
    with pytest.raises(VoicelogError, match=says):
        begin(ledger, PLANS, kind, **named)  # type: ignore[arg-type]


@pytest.mark.parametrize("named", [{}, {"lot": "A7"}, {"pen": "1"}])
def test_birds_without_bands_are_counted_and_banded_in_the_pen_that_they_are_in(
    sit: Sit, ledger: Ledger, named: dict[str, str]
) -> None:
    talk(sit("tally", **named), "hen = female one\nmale = male one")
    assert [(tally.male, tally.female) for tally in yard_now(ledger).tallies.values()] == [(1, 1)]
    assert list(yard_now(ledger).tallies) == [("A7", "1")]
    talk(sit("banding", **named), "hen = one, female. next two")
    assert yard_now(ledger).loose == {("A7", "1"): 55}
    assert bird_history(ledger, 1)[0].head.startswith("band 1, lot A7, pen 1, female")
    assert ledger.conflicts() == []


@pytest.mark.parametrize(
    ("kind", "named", "says"),
    [
        ("tally", {}, "birds without bands are in several pens (1, 2); say which with --pen"),
        ("banding", {}, "birds without bands are in several pens (1, 2); say which with --pen"),
        ("tally", {"lot": "A7"}, "birds without bands of lot A7 are in several pens (1, 2); say which with --pen"),
        ("banding", {"lot": "A7"}, "of lot A7 are in several pens (1, 2); say which with --pen"),
        ("tally", {"lot": "A7", "pen": "3"}, "of lot A7 are in pen 3, but in pens 1, 2: name that with --pen"),
        ("banding", {"lot": "B8", "pen": "1"}, "of lot B8 are in pen 1, but in pen 2: name that with --pen"),
        ("banding", {"pen": "3"}, "no birds without bands are in pen 3, but in pens 1, 2: name that with --pen"),
        ("banding", {"pen": "2"}, "lots A7, B8; name one with --lot"),
    ],
)
def test_no_tally_or_banding_begins_where_its_birds_would_be_missing(
    ledger: Ledger, kind: Kind, named: dict[str, str], says: str
) -> None:
    enter(ledger, [fact("hatched", lot="B8", variety="white", count=3, pen="2")])
    enter(ledger, [fact("lot_moved", lot="A7", count=10, from_pen="1", pen="2")])
    with pytest.raises(VoicelogError) as no:
        begin(ledger, PLANS, kind, **named)  # type: ignore[arg-type]
    assert says in str(no.value)


def test_birds_that_hatched_into_no_pen_may_be_in_any(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "yard.ledger")
    keeper("hatch", "A7", "--variety", "white", "--count", 4)
    keeper("type", "--kind", "banding", "--lot", "A7", "--pen", 3, stdin="hen\n")
    keeper("type", "--kind", "tally", stdin="hen\n")
    with Ledger.open(keeper.ledger) as ledger:
        assert yard_now(ledger).loose == {("A7", None): 3}
        assert list(yard_now(ledger).tallies) == [("A7", None)]
        assert ledger.conflicts() == []
        with pytest.raises(VoicelogError, match="in pen 3, but in no pen that was named: name their lot with --lot"):
            begin(ledger, PLANS, "banding", pen="3")


def test_a_banding_is_gone_on_with_in_its_pen_and_lot_whatever_came_into_it_since(sit: Sit, ledger: Ledger) -> None:
    sitting = sit("banding", lot="A7")
    sitting.type("hen")
    enter(ledger, [fact("lot_moved", lot="A7", count=55, from_pen="1", pen="2")])
    enter(ledger, [fact("hatched", lot=lot, variety="white", count=3, pen="1") for lot in ("B8", "C9")])
    beginning, (name, state) = go_on(ledger, PLANS, Settings())
    assert (beginning.purpose.pen, beginning.purpose.lot, state.purpose.lot) == ("1", "A7", "A7")
    assert name == sitting.session and state.banded == sitting.state.banded


@pytest.mark.parametrize("kind", ["tally", "banding", "weighing"])
def test_a_session_keeps_its_lot_before_anything_is_said(sit: Sit, ledger: Ledger, kind: Kind) -> None:
    """What came into the pen since does not make it doubtful which lot it is about."""
    sitting = sit(kind, pen="1", lot="A7")
    sitting.type("note")
    sitting.type("restless")
    enter(ledger, [fact("hatched", lot="B8", variety="white", count=3, pen="1")])
    beginning, (_, state) = go_on(ledger, PLANS, Settings())
    assert (beginning.purpose.lot, state.purpose.lot) == ("A7", "A7")
    sit(kind, pen="1", lot="B8")
    for lot in ("A7", "B8"):
        told = [entry.says for entry in lot_history(ledger, lot).entries]
        assert told.count("session started") == 1 and told.count("voice note") == (lot == "A7")


def test_a_session_from_before_its_lot_was_kept_takes_it_from_what_was_counted(sit: Sit, ledger: Ledger) -> None:
    session = new_id()
    for made in (SessionStarted(roster=(), purpose="tally", pen="1"), fact("counted", sex="male", lot="A7", pen="1")):
        ledger.append(Draft(id=new_id(), session=session, fact=made))
    enter(ledger, [fact("hatched", lot="B8", variety="white", count=3, pen="1")])
    assert go_on(ledger, PLANS, Settings())[0].purpose.lot == "A7"


@pytest.mark.parametrize(
    ("kind", "said", "summary"),
    [
        ("tally", "hen\nhen\nrooster\nfinish session\n", ["3 birds", "female: 2", "male: 1", "unsure: 0"]),
        ("banding", "hen\nrooster\n", ["banded: 2 (bands 1-2)", "male: 1 (bands 2)", "males to move out"]),
        ("weighing", "band 5 two hundred grams\n", ["weighed: 1, 200.0 to 200.0 g", "not weighed: 1 (bands 6)"]),
        ("roll call", "band 5\n", ["called: 1", "not seen: 1 (bands 6)"]),
    ],
)
def test_the_summary_is_that_of_the_kind(tmp_path: Path, kind: str, said: str, summary: list[str]) -> None:
    keeper = Keeper(tmp_path / "yard.ledger")
    roster = ["--roster", "5-6"] if kind in ("weighing", "roll call") else []
    keeper("type", "--kind", kind, "--pen", "1", *roster, stdin=said)
    shown = keeper("summary")
    assert all(line in shown for line in summary), shown


def test_the_summary_names_a_changed_sex(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "yard.ledger")
    keeper("type", "--roster", "5-6", stdin="band 5 hen\nband 6 hen\nfinish session\n")
    keeper("type", "--roster", "5-6", stdin="band 5 male\nyes\nband 6 hen\nfinish session\n")
    assert "another sex than before: 1 (bands 5)" in keeper("summary")


def test_a_session_begins_from_what_is_due(tmp_path: Path) -> None:
    """A pen whose second vent check is due today says so, with the hens alone."""
    from datetime import date, timedelta

    keeper = Keeper(tmp_path / "yard.ledger")
    hatched = date.today() - timedelta(days=49)
    keeper("hatch", "A7", "--variety", "white", "--count", 34, "--pen", 3, "--on", hatched)
    keeper("band", "1-34", "--lot", "A7", "--pen", 3, "--on", hatched + timedelta(days=40))
    facts = [
        f'{{"kind": "call", "on": "{hatched + timedelta(days=42)}", "call": {{"band": {band}, "sex": "{sex}"}}}}'
        for band in range(1, 35)
        for sex in (["male"] if band <= 3 else ["female"])
    ]
    file = tmp_path / "calls.jsonl"
    file.write_text("\n".join(facts), encoding="utf-8")
    keeper("apply", file)
    assert keeper("type", "--pen", 3, stdin="").splitlines() == ["pen three, second vent check, thirty one birds"]


def test_a_pen_without_a_banded_bird_is_told_before_every_band_is_listened_for(tmp_path: Path) -> None:
    """A keeper may check first and enter afterwards, so nothing of it is refused."""

    def opened(*named: object) -> tuple[list[str], list[str]]:
        done = keeper.run("type", *named, stdin="")
        assert done.exit_code == 0
        return done.stdout.splitlines(), done.stderr.splitlines()

    keeper = Keeper(tmp_path / "yard.ledger")
    any_band = (
        "voicelog: no bird with a band is known to be in pen {}, so every band from 1 to 299 is listened for: "
        "name those that are there with --roster"
    )
    slip = "voicelog: no fact of this ledger names pen 33, but others (1, 3): check the name"
    # In an empty book no name can be told to be a slip; that a session about it began makes none right.
    for _ in range(2):
        assert opened("--pen", 33) == (
            ["no banded bird in pen three three, listening for any band"], [any_band.format(33)]
        )  # fmt: skip
    assert opened("--pen", 33, "--roster", "1-40") == (["pen three three, forty birds"], [])
    assert opened() == ([], [])
    keeper("hatch", "A7", "--variety", "white", "--count", 51, "--pen", 1)
    keeper("band", "1-40", "--lot", "A7", "--from", 1, "--pen", 3)
    assert opened("--pen", 3) == (["pen three, forty birds"], [])
    assert opened("--pen", 1) == (["no banded bird in pen one, listening for any band"], [any_band.format(1)])
    assert opened("--pen", 33) == (
        ["pen three three is not in the book, listening for any band"], [slip, any_band.format(33)]
    )  # fmt: skip
    assert opened("--pen", 33, "--roster", "1-40") == (
        ["pen three three is not in the book. pen three three, forty birds"], [slip]
    )  # fmt: skip
    assert opened("--pen", 33, "--kind", "tally") == (
        ["pen three three is not in the book. pen three three, tally, zero birds"], [slip]
    )  # fmt: skip
    # Said of a bird, the name is in the book.
    keeper("type", "--roster", "1-40", stdin="band 4 to pen 33\n")
    assert opened("--pen", 33) == (["pen three three, one bird"], [])
    with Ledger.open(keeper.ledger) as ledger:
        assert [ledger.names_pen(pen) for pen in ("1", "3", "33", "9")] == [True, True, True, False]


def test_a_dead_male_need_not_be_moved_out_and_many_bands_are_told_in_ranges(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "yard.ledger")
    keeper("type", "--pen", "1", "--roster", "1-40", stdin="band 4 male dead\nyes\nband 9 male\nband 10 hen\n")
    shown = keeper("summary")
    assert "males to move out, so that hens stay free of foam: 1 (bands 9)" in shown
    assert "no sex called yet: 37 (bands 1-3,5-8,11-40)" in shown


def test_a_typed_band_that_is_not_here_is_named_and_what_follows_is_not_the_bird_before(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "yard.ledger")
    told = keeper("type", "--roster", "1-9", stdin="band 4 male\nband ninety nine hen\nfoam yes\nblah\n")
    assert [line.partition("  [")[0] for line in told.splitlines()] == [
        *("+ four, male", "- no band nine nine here", "- which band", "- say again"),
    ]


def test_numbers_typed_in_figures_are_written_as_they_stand(sit: Sit, ledger: Ledger) -> None:
    talk(
        sit("check", pen="3"),
        """
        band 3 410.5 grams = three, four one zero point five grams
        band 1-3 male = - say again
        band 12 male = one two, male
        band 30 hen 14 ounces = three zero, female, three nine six point nine grams
        band 3 0 to pen 12 = three zero, to pen one two
        """,
    )
    made = [event.fact.call for event in ledger.events() if isinstance(event.fact, CallMade)]
    assert made == [
        Call(band=3, weight_g=410.5),
        Call(band=12, sex="male"),
        Call(band=30, sex="female", weight_g=396.9),
        Call(band=30, pen="12"),
    ]
    words = [event.words for event in ledger.events() if isinstance(event.fact, CallMade)]
    assert words[:2] == ["band three 410.5 grams", "band one two male"]


def test_a_note_is_kept_as_it_was_typed(sit: Sit, ledger: Ledger) -> None:
    sitting = sit("check", pen="3")
    for text in ("band 3 hen", "note", "Her toe looks sick, see Dr. Fox 5.5\n"):
        sitting.type(text)
    (words,) = (event.words for event in ledger.events() if event.fact.kind == "note")
    assert words == "Her toe looks sick, see Dr. Fox 5.5"


@pytest.mark.parametrize(
    ("text", "taken_for"),
    [("band 3 hen head", "“head” taken as dead"), ("band 3 hen sill", "“sill” taken as sell"),
     ("band 3 made", "“made” taken as male")],
)  # fmt: skip
def test_a_slip_of_typing_taken_for_a_sex_a_condition_or_a_fate_is_asked_about(
    sit: Sit, ledger: Ledger, text: str, taken_for: str
) -> None:
    sitting = sit("check", pen="3")
    asked = sitting.type(text).outcome
    assert asked.verdict is Verdict.ASK
    assert taken_for in asked.reason
    assert not any(event.fact.kind == "call" for event in ledger.events())
    assert sitting.type("band 3 hen breast speckeld").outcome.verdict is Verdict.ACCEPT
