"""The flock book through its commands: entering, asking, fixing, lists in and out, and every bad input."""

from __future__ import annotations

import csv
import json
import sqlite3
import unicodedata
from contextlib import closing
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest
import soundfile
import vobject
from click.testing import CliRunner
from flock_help import Keeper

from voicelog.cli import COMMANDS, main
from voicelog.flock import Task
from voicelog.ledger import Ledger
from voicelog.report.calendar import calendar


@pytest.fixture
def keeper(tmp_path: Path) -> Keeper:
    keep = Keeper(tmp_path / "yard.ledger")
    keep("set-eggs", "A7", "--variety", "white", "--count", 60, "--on", "2025-03-01")
    keep("hatch", "A7", "--count", 51, "--pen", 1, "--on", "2025-03-18")
    keep("band", "1-40", "--lot", "A7", "--from", 1, "--pen", 3, "--on", "2025-04-20")
    return keep


def events(keeper: Keeper) -> list[object]:
    with Ledger.open(keeper.ledger, must_exist=True) as ledger:
        assert ledger.verify() == []
        return list(ledger.events())


def test_a_clock_behind_the_ledger_is_told_and_stops_nothing(keeper: Keeper, monkeypatch: pytest.MonkeyPatch) -> None:
    class NoBattery(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> NoBattery:
            return cls(2001, 1, 1, tzinfo=tz)

    def told(*arguments: str, typed: str | None = None) -> tuple[str, str]:
        done = CliRunner().invoke(main, [*arguments, "--ledger", str(keeper.ledger)], input=typed)
        assert done.exit_code == 0
        return done.stdout, done.stderr

    assert told("due") == (told("due")[0], "")
    monkeypatch.setattr("voicelog.beginning.datetime", NoBattery)
    warning = f"the clock says 2001-01-01, and the ledger goes on to {date.today()}: set the clock"
    assert warning in told("due")[1]
    assert warning in told("died", "7")[1]
    stdout, stderr = told("type", "--pen", "3", typed="band four male\n")
    assert stdout.startswith("the clock is behind the ledger. pen three, ")
    assert warning in stderr and "four, male" in stdout
    assert warning in told("fix", "4", "--say", "female", "--reason", "misheard")[1]
    assert len(events(keeper)) == 46
    facts, birds = keeper.ledger.with_name("facts.jsonl"), keeper.ledger.with_name("birds.csv")
    facts.write_text('{"kind": "pen_named", "pen": "9", "use": "males"}\n', encoding="utf-8")
    birds.write_text("band,sex\n77,male\n", encoding="utf-8")
    assert warning in told("apply", str(facts))[1]
    assert warning in told("import", str(birds), "--dry-run")[1]
    assert warning in told("undo", str(events(keeper)[-1].id), "--reason", "another pen")[1]  # type: ignore[attr-defined]


@pytest.mark.parametrize("command", ["bird", "pen", "lot"])
def test_a_history_tells_what_it_writes(command: str) -> None:
    told = " ".join(CliRunner().invoke(main, [command, "--help"]).output.split())
    assert "Write the kept sounds of the calls into this WAV file" in told and "spoken replies" not in told


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command: str) -> None:
    done = CliRunner().invoke(main, [command, "--help"])
    assert done.exit_code == 0
    assert "Example: voicelog" in done.output or command == "type"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["hatch", "B1", "--variety", "white", "--count", 3, "--on", "2025-02-30"], "“2025-02-30” is no day"),
        (["hatch", "B1", "--variety", "white", "--count", 3, "--on", "2199-01-01"], "is still to come"),
        (["hatch", "B1", "--variety", "white", "--count", 3, "--on", "0205-01-01"], "is long past"),
        (["due", "--on", "31.5.2025"], "“31.5.2025” is no day"),
        (["hatch", "B1", "--count", 3], "hatched without a variety"),
        (["hatch", "B1", "--variety", "dodo", "--count", 3], "no variety “dodo”"),
        (["set-eggs", "B1", "--variety", "dodo", "--count", 3], "no variety “dodo”"),
        (["set-eggs", "A7", "--variety", "white", "--count", 3], "set twice"),
        (["hatch", "A7", "--count", 3], "hatched twice"),
        (["set-eggs", "../x", "--variety", "white", "--count", 3], "lot:"),
        (["band", "40-45", "--lot", "A7", "--pen", "3"], "given twice"),
        (["band", "41-52", "--lot", "A7", "--pen", "3", "--from", "1"], "1 more birds were taken out of pen 1"),
        (["band", "50", "--lot", "A8", "--pen", "3"], "no lot A8 in this ledger"),
        (["band", "50", "--lot", "A7", "--pen", "3", "--on", "2025-03-17"], "but lot A7 hatched on 2025-03-18"),
        (["move", "1-3", "--to", "4", "--from", "9"], "taken from pen 9, but it is in pen 3"),
        (["move", "99", "--to", "4"], "nobody wears that band"),
        (["move", "--to", "4"], "name either bands"),
        (["move", "1", "--lot", "A7", "--count", 3, "--to", "4"], "name either bands"),
        (["move", "2", "--to", "4", "--count", 9], "leave out --count, or the bands"),
        (["move", "2", "--to", "4", "--lot", "A7"], "leave out --lot, or the bands"),
        (["move", "2", "--to", "4", "--sex", "male"], "leave out --sex, or the bands"),
        (["died", "1", "--count", 5], "leave out --count, or the bands"),
        (["sold", "1", "--pen", 55, "--lot", "ZZ"], "leave out --lot and --pen, or the bands"),
        (["died", "1", "--pen", 3], "leave out --pen, or the bands"),
        (["died", "--lot", "A7", "--count", 1, "--cause", "cold"], "--cause is kept of birds with bands alone"),
        (["move", "--lot", "A7", "--count", 30, "--from", 1, "--to", "4"], "19 more birds"),
        (["died", "--lot", "B9", "--count", 1], "lot B9: no such lot is in the book; nothing was written: check its"),
        (["sold", "--lot", "B9", "--count", 1, "--pen", "3"], "or enter it with voicelog set-eggs or voicelog hatch"),
        (["move", "--lot", "B9", "--count", 1, "--to", "3"], "no such lot is in the book"),
        (["tend-eggs", "B9", "candle"], "no such lot is in the book"),
        (["died", "--lot", "A7", "--count", 1, "--on", "2025-03-17"], "before it hatched; nothing was written"),
        (["tend-eggs", "A7", "candle", "--on", "2025-02-27"], "before they were set"),
        (["lost-band", "1", "--new", "2"], "given twice"),
        (["lost-band", "99999"], "band:"),
        (["died", "0"], "roster"),
        (["name-pen", "3"], "say what the pen is called"),
        (["name-pen", "3", "--title", ""], "title: is empty"),
        (["name-pen", "3", "--title", " ", "--use", "males"], "title: is empty"),
        (["bird", "77"], "no bird of this ledger ever wore band 77"),
        (["pen", "77"], "nothing of this ledger happened in pen 77"),
        (["lot", "Z9"], "no lot Z9"),
        (["bird", "1", "--play"], "no sound was kept"),
        (["fix", "1", "--say", "hen", "--reason", "x"], "no call in effect"),
        (["fix", "1", "--say", "purple", "--reason", "x"], "is no call"),
        (["fix", "1" * 30, "--say", "hen", "--reason", "x"], "far too large"),
        (["fix", "x", "--say", "hen", "--reason", "x"], "x is no call of this ledger"),
        (["fix", "1", "--at", "2025-11-2", "--say", "hen", "--reason", "x"], "“2025-11-2” is no time of a call"),
        (["fix", "1", "--at", "2", "--say", "hen", "--reason", "x"], "such as 2026-05-31 or 2026-05-31T09:12"),
        (["fix", "1", "--at", "2025-13-28", "--say", "hen", "--reason", "x"], "“2025-13-28” is no day of the calendar"),
        (["fix", "1", "--at", "2025-11-28T9:12", "--say", "hen", "--reason", "x"], "is no time of a call"),
        (["fix", "1", "--at", "2025-11-28T24:12", "--say", "hen", "--reason", "x"], "“24:12” is no time of the day"),
        (["pen", "\udce4"], "broken character"),
        (["lot", "\udce4"], "no lot"),
        (["move", "1", "--to", "\udce4"], "broken character"),
        (["undo", "0190c0de-7abc-7def-8000-0123456789ab", "--reason", "x"], "there is no event"),
        (["undo", "x", "--reason", "x"], "target:"),
        (["export", "birds", "birds.xls"], "end the name with"),
        (["export", "birds", "/nowhere/birds.csv"], "/nowhere/birds.csv"),
        (["import", "/nowhere.csv"], "/nowhere.csv"),
        (["apply", "/nowhere.jsonl"], "/nowhere.jsonl"),
        (["apply", "/"], "/: "),
        (["import", "/"], "/: "),
        (["merge", "."], "is a folder"),
        (["restore", "."], "is a folder"),
        (["band", "50", "--lot", "A7", "--pen", ""], "1 to 40 characters"),
        (["type", "--kind", "tally", "--pen", ""], "1 to 40 characters"),
        (["type", "--pen", "\udce4"], "the name of the pen has a broken character"),
        (["name-pen", "3", "--title", "x" * 201], "title: "),
        (["died", "3", "--cause", "cold\nwet"], "cause: "),
        (["merge", "/nowhere.ledger"], "there is no ledger"),
        (["due", "--ical", "/nowhere/x.ics"], "/nowhere/x.ics"),
    ],
)
def test_bad_input_is_told_in_one_line_and_nothing_is_lost(keeper: Keeper, arguments: list[object], says: str) -> None:
    before = events(keeper)
    assert says in keeper.refused(*arguments)
    assert events(keeper) == before


def test_a_merge_that_fails_makes_no_ledger(keeper: Keeper, tmp_path: Path) -> None:
    junk, new = tmp_path / "junk.ledger", Keeper(tmp_path / "new.ledger")
    junk.write_text("junk", encoding="utf-8")
    for other, says in ((junk, "is not a ledger"), (new.ledger, "there is no ledger")):
        assert says in new.refused("merge", other)
        assert not new.ledger.exists()
    assert f"{len(events(keeper))} events" in new("merge", keeper.ledger)


READERS = [
    ["summary"], ["due"], ["bird", 1], ["pen", 1], ["lot", "A7"], ["conflicts"], ["export", "birds", "birds.csv"],
    ["backup", "copy.ledger"], ["fix", 1, "--say", "hen", "--reason", "x"], ["session", "--resume"],
    ["undo", "0190c0de-7abc-7def-8000-0123456789ab", "--reason", "x"],
]  # fmt: skip
FAIL_IN_AN_EMPTY_BOOK = [
    ["died", 1], ["move", 1, "--to", 2], ["band", 1, "--lot", "A7"], ["hatch", "A7", "--count", 3],
    ["tend-eggs", "A7", "candle"], ["lost-band", 1], ["apply", "facts.jsonl"], ["import", "birds.csv"],
    ["type", "--kind", "moving"], ["type", "--lot", "A7"], ["session", "--roster", "x"],
    ["replay", "--roster", "1-3", "said.wav"], ["replay", "--model", "nowhere", "said.wav"],
    ["demo", "--model", "nowhere"],
]  # fmt: skip


@pytest.mark.parametrize("arguments", READERS, ids=str)
def test_a_command_that_needs_a_ledger_tells_that_there_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[object]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert "there is no ledger at slip.ledger" in Keeper(Path("slip.ledger")).refused(*arguments)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("arguments", FAIL_IN_AN_EMPTY_BOOK, ids=str)
def test_a_command_that_fails_leaves_no_empty_ledger(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[object]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("facts.jsonl").write_text('{"kind": "died", "band": 1}\n', encoding="utf-8")
    Path("birds.csv").write_text("band,sex\n1,hen\n", encoding="utf-8")
    before = set(tmp_path.iterdir())
    done = Keeper(Path("slip.ledger")).run(*arguments)
    assert done.exit_code == 2 and done.stderr.startswith("voicelog: "), done.output
    assert set(tmp_path.iterdir()) == before


def test_a_dry_run_leaves_no_ledger_and_an_empty_session_does(tmp_path: Path) -> None:
    birds, keep = tmp_path / "birds.csv", Keeper(tmp_path / "new.ledger")
    birds.write_text("band,sex\n1,male\n", encoding="utf-8")
    assert "1 birds can be entered" in keep("import", birds, "--dry-run")
    assert list(tmp_path.iterdir()) == [birds]
    keep("type", stdin="")
    assert "Session of" in keep("summary")


def test_a_call_about_a_bird_that_died_or_was_sold(keeper: Keeper, tmp_path: Path) -> None:
    keeper("died", 4, "--on", "2025-04-25", "--cause", "cold")
    keeper("sold", 5, "--on", "2025-04-25")
    for band, says in ((4, "its bird died on 2025-04-25"), (5, "its bird was sold on 2025-04-25")):
        calls = tmp_path / "calls.jsonl"
        call = {"kind": "call", "on": "2025-04-29", "call": {"band": band, "sex": "male"}}
        calls.write_text('{"kind": "pen_named", "pen": "9", "use": "males"}\n\n' + json.dumps(call), encoding="utf-8")
        told = keeper.refused("apply", calls)
        assert says in told and "line 3: " in told


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("{", "line 1: "),
        ("[" * 100_000, "is no JSON"),
        ('{"kind": "died", "band": ' + "1" * 5000 + "}", "is no JSON"),
        ('{"kind": "died", "band": 1, "cause": "\\ud800"}', "cause: "),
        ('{"kind": "hatched", "lot": "B1", "variety": ["white"], "count": 3}', "variety:"),
        ('{"kind": "hatched", "lot": "B/1", "variety": "white", "count": 3}', "“B/1” is no name"),
        ('{"kind": "session_started", "roster": [1]}', "written by a session alone"),
        ('{"kind": "died", "band": 1, "bird": 1}', "is no slot"),
        ('{"kind": "call", "call": {"sex": "male"}}', "line 1: a call is kept only with its band"),
        ("[1]", "no JSON object"),
        ('{"kind": "weather"}', "line 1: kind: “weather” is no kind of fact (kinds are, for example, hatched"),
        ('{"kind": "bandd"}', "line 1: kind: “bandd” is no kind of fact (did you mean banded?); correct it"),
        ('{"kind": null}', "line 1: kind: "),
        ('{"band": 1}', "line 1: kind: is not given"),
        ('{"kind": "pen_named", "pen": "9", "title": " "}', "line 1: title: is empty"),
        ('{"kind": "banded", "band": 77, "lot": "A77", "pen": "1"}', "line 1: no lot A77 in this ledger; enter it"),
        ('\n{"kind": "died", "band": 7}\n{"kind": "banded", "band": 77, "lot": "A77"}', "line 3: no lot A77"),
        ('{"kind": "banded", "band": true}', "line 1: band: true is neither a number nor a text"),
        ('{"kind": "call", "call": {"band": true, "sex": "male"}}', "line 1: band: true is neither"),
        ('{"kind": "lot_less", "lot": "A7", "count": true, "why": "died"}', "line 1: count: true is neither"),
        ('{"kind": "pen_named", "pen": "9"}', "line 1: pen 9: say what it is called or for"),
        ('{"kind": "hatched", "lot": "B1", "variety": "dodo", "count": 3}', "no variety"),
        ('{"kind": "died", "band": 1, "on": "2025-13-01"}', "on:"),
        ('{"kind": "died", "band": "one"}', "band:"),
        ("", "holds no fact"),
    ],
)
def test_bad_lines_of_a_batch_are_named(keeper: Keeper, tmp_path: Path, line: str, says: str) -> None:
    file = tmp_path / "facts.jsonl"
    file.write_text(line, encoding="utf-8")
    before = events(keeper)
    assert says in keeper.refused("apply", file)
    assert events(keeper) == before


def test_a_batch_bands_birds_out_of_a_lot_that_it_enters_itself(keeper: Keeper, tmp_path: Path) -> None:
    file = tmp_path / "facts.jsonl"
    banded = '{"kind": "banded", "band": 77, "lot": "B1", "pen": "1", "on": "2025-05-09"}\n'
    hatched = '{"kind": "hatched", "lot": "B1", "variety": "white", "count": 3, "pen": "1", "on": "2025-05-01"}\n'
    file.write_text(banded + hatched, encoding="utf-8")
    assert "2 facts entered" in keeper("apply", file)
    assert "band 77, lot B1, pen 1" in keeper("bird", 77)


def test_a_ledger_from_a_newer_version_is_told(keeper: Keeper) -> None:
    with closing(sqlite3.connect(keeper.ledger)) as raw:
        raw.execute("PRAGMA user_version=99")
    for command in (["due"], ["died", "1"], ["merge", str(keeper.ledger)], ["bird", "1"]):
        assert "newer voicelog" in keeper.refused(*command)


def test_a_summary_is_of_the_last_session_whatever_was_entered_since(keeper: Keeper) -> None:
    assert "no session yet" in keeper.refused("summary")
    keeper("type", "--roster", "1-3", stdin="band 1 male\nfinish session\n")
    told = keeper("summary")
    assert "3 birds on the roster" in told
    keeper("move", 1, "--to", 9)
    keeper("sold", 2)
    assert keeper("summary") == told


def test_a_summary_tells_the_calls_as_they_stand_and_what_was_changed_since(keeper: Keeper) -> None:
    said = ("band 4 male foam yes", "band 5 hen", "band 6 male", "strike that", "band 7 hen", "finish session")
    keeper("type", "--roster", "4-7", stdin="".join(f"{line}\n" for line in said))

    def told() -> list[str]:
        return [line.strip() for line in keeper("summary").splitlines()[1:]]

    at_first = ["called: 3", "male: 1 (bands 4)", "female: 2 (bands 5,7)"]
    assert told()[:3] == at_first and "changed since:" not in told()
    with Ledger.open(keeper.ledger) as ledger:
        ((five, _),) = ledger.calls_of(5)
        (strike,) = (event.id for event in ledger.events() if event.fact.kind == "void")
    fixed = keeper("fix", 4, "--say", "hen", "--reason", "misheard")
    back = keeper("undo", five, "--reason", "not my bird")
    keeper("undo", strike, "--reason", "it was right")
    now = told()
    assert now[:3] == ["called: 3", "male: 1 (bands 6)", "female: 2 (bands 4,7)"]
    # What was said in the session stays visible beside it.
    assert "struck: 1, corrected: 0" in now and "no sex called yet: 1 (bands 5)" in now
    assert now[now.index("changed since:") + 1 :] == [
        "band 4: male, foam yes  [corrected]",
        "band 5: female  [taken back: not my bird]",
        "band 6: male  [counts again]",
        "band 4: female, foam yes (fixed: misheard)",
    ]
    # A fix and an undo that were taken back changed nothing.
    for done in (fixed, back):
        keeper("undo", done.split("voicelog undo ")[1].split()[0], "--reason", "it was right")
    assert told()[told().index("changed since:") + 1 :] == ["band 6: male  [counts again]"]


def test_a_summary_tells_another_sex_that_a_fix_brought(keeper: Keeper) -> None:
    for said in ("band 4 hen\nband 5 hen\n", "band 4 hen\nband 5 male\nyes\n"):
        keeper("type", "--roster", "1-40", stdin=f"{said}finish session\n")
    assert "another sex than before: 1 (bands 5)" in keeper("summary")
    with Ledger.open(keeper.ledger) as ledger:
        last = {band: ledger.calls_of(band)[-1][0] for band in (4, 5)}
    keeper("fix", last[4], "--say", "male", "--reason", "misheard")
    keeper("fix", last[5], "--say", "hen", "--reason", "misheard")
    assert "another sex than before: 1 (bands 4)" in keeper("summary")


def test_a_summary_of_a_tally_or_a_banding_tells_what_was_taken_back_since(keeper: Keeper) -> None:
    def last(kind: str) -> str:
        with Ledger.open(keeper.ledger) as ledger:
            return [event.id for event in ledger.events() if event.fact.kind == kind][-1]

    keeper("type", "--kind", "tally", "--lot", "A7", stdin="hen\nmale\nfinish session\n")
    assert "pen 1, lot A7, 2 birds" in keeper("summary")
    keeper("undo", last("counted"), "--reason", "a hen")
    told = keeper("summary")
    assert "pen 1, lot A7, 1 birds" in told and "  male: 0" in told
    assert told.endswith("  changed since:\n    counted: male  [taken back: a hen]\n")
    keeper("type", "--kind", "banding", "--lot", "A7", stdin="hen\nhen\nfinish session\n")
    keeper("undo", last("banded"), "--reason", "fell off")
    told = keeper("summary")
    assert "banded: 1 (bands 41)" in told
    assert told.endswith("    band 42: put on of lot A7 in pen 1  [taken back: fell off]\n")


def test_what_a_session_made_impossible_is_told_at_its_end_in_its_summary_and_by_due(keeper: Keeper) -> None:
    """Whoever named the roster by hand named a band that was lost."""
    keeper("lost-band", 4, "--on", "2025-04-25")
    unconcerned = keeper("type", "--roster", "1-40", stdin="band 5 hen\nfinish session\n")
    assert "conflict" not in unconcerned and keeper.run("due").stderr == ""
    session = keeper("type", "--roster", "1-40", stdin="band 4 male\nfinish session\n")
    assert session.splitlines()[-1].endswith(". one conflict, see voicelog conflicts")
    assert keeper("summary").endswith("  conflicts: 1, see voicelog conflicts\n")
    assert keeper.run("due").stderr == "voicelog: 1 conflict in this ledger, see voicelog conflicts\n"
    assert "band 4: called on" in keeper("conflicts")
    # A session before or after has no part in it.
    assert "conflict" not in keeper("type", "--roster", "1-40", stdin="band 6 hen\nfinish session\n")
    assert "conflict" not in keeper("summary")
    with Ledger.open(keeper.ledger) as ledger:
        ((call, _),) = ledger.calls_of(4)
    keeper("undo", call, "--reason", "another bird")
    assert keeper.run("due").stderr == ""


def test_a_call_is_fixed_and_the_fix_undone(keeper: Keeper) -> None:
    calls = "band 4 male foam yes\nband 4 three hundred grams\nfinish session\n"
    keeper("type", "--roster", "1-40", stdin=calls)
    assert "called 2 times" in keeper.refused("fix", 4, "--say", "hen", "--reason", "misheard")
    with Ledger.open(keeper.ledger) as ledger:
        (first, when), _ = ledger.calls_of(4)
    assert "called 2 times" in keeper.refused("fix", 4, "--at", when[:10], "--say", "hen", "--reason", "misheard")
    for reason, says in (("", "reason: "), ("x" * 201, "reason: ")):
        assert says in keeper.refused("fix", first, "--say", "hen", "--reason", reason)
    told = keeper("fix", first, "--say", "hen", "--reason", "misheard")
    assert "was corrected already" in keeper.refused("fix", first, "--say", "hen", "--reason", "again")
    assert "sex female, foam yes" in told
    shown = keeper("bird", 4)
    assert "female (called" in shown.splitlines()[0]
    assert "male, foam yes  “band four male foam yes”  [corrected]" in shown
    assert "female, foam yes (fixed: misheard)" in shown
    undo = told.split("voicelog undo ")[1].split()[0]
    back = keeper("undo", undo, "--reason", "it was right")
    assert ", male (called" in keeper("bird", 4).splitlines()[0]
    keeper("undo", back.split("voicelog undo ")[1].split()[0], "--reason", "no")
    assert "female (called" in keeper("bird", 4).splitlines()[0]


def test_a_call_is_fixed_by_its_whole_day_or_minute(keeper: Keeper, tmp_path: Path) -> None:
    calls = tmp_path / "calls.jsonl"
    call = {"kind": "call", "on": "2025-05-25", "call": {"band": 4, "sex": "male"}}
    calls.write_text(json.dumps(call), encoding="utf-8")
    keeper("apply", calls)
    with Ledger.open(keeper.ledger) as ledger:
        ((_, when),) = ledger.calls_of(4)
        assert [ledger.calls_of(4, at) for at in ("2025-05-2", "2", when[:-1], "2025-05-02")] == [[], [], [], []]
    refused = keeper.refused("fix", 4, "--at", "2025-05-02", "--say", "hen", "--reason", "misheard")
    assert "no call in effect at 2025-05-02" in refused
    for at, sex in (("2025-05-25", "hen"), ("today", "male")):
        keeper("fix", 4, "--at", at, "--say", sex, "--reason", "misheard")
    with Ledger.open(keeper.ledger) as ledger:
        ((_, when),) = ledger.calls_of(4)
    assert "sex female" in keeper("fix", 4, "--at", when.replace("T", " "), "--say", "hen", "--reason", "misheard")


def test_a_call_is_not_moved_to_a_band_that_nobody_wears(keeper: Keeper, tmp_path: Path) -> None:
    keeper("type", "--roster", "1-45", stdin="band 4 male\nband 5 hen\nfinish session\n")
    refused = keeper.refused("fix", 4, "--at", "today", "--say", "band 500 male", "--reason", "misheard")
    assert f"band 500: no bird wore it on {date.today()}" in refused
    assert "voicelog band 500 --on" in refused
    assert "band 4, lot A7, pen 3, male" in keeper("bird", 4)
    # No bird 45 was entered, but the session's roster has it; a fix of the fix is of that session too.
    assert "band 45: " in keeper("fix", 4, "--say", "band 45", "--reason", "misheard")
    assert "band 44: " in keeper("fix", 45, "--say", "band 44", "--reason", "misheard")
    assert "band 500: no bird" in keeper.refused("fix", 44, "--say", "band 500", "--reason", "misheard")
    assert "band 6: " in keeper("fix", 44, "--say", "band 6", "--reason", "misheard")
    # The same band again moves nothing, and a bird that is entered since may be named.
    assert "band 5: " in keeper("fix", 5, "--say", "band 5 male", "--reason", "misheard")
    keeper("band", "500")
    assert "band 500: " in keeper("fix", 5, "--say", "band 500", "--reason", "misheard")


def test_a_call_is_not_moved_to_a_band_that_was_put_on_later(keeper: Keeper, tmp_path: Path) -> None:
    keeper("band", "41", "--lot", "A7", "--from", 1, "--pen", 3, "--on", "2025-05-01")
    calls = tmp_path / "calls.jsonl"
    for day in ("2025-04-30", "2025-05-01"):
        calls.write_text(json.dumps({"kind": "call", "on": day, "call": {"band": 4, "sex": "male"}}), encoding="utf-8")
        keeper("apply", calls)
    move = ("--say", "band 41", "--reason", "misheard")
    assert "no bird wore it on 2025-04-30" in keeper.refused("fix", 4, "--at", "2025-04-30", *move)
    assert "band 41: " in keeper("fix", 4, "--at", "2025-05-01", *move)


def test_a_roster_that_nobody_named_has_no_birds(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "other.ledger")
    keeper("type", stdin="band 4 male\nfinish session\n")
    assert "band 5: no bird wore it" in keeper.refused("fix", 4, "--say", "band 5", "--reason", "misheard")


def test_the_sound_of_a_call_is_played(keeper: Keeper, tmp_path: Path) -> None:
    keeper("type", "--roster", "1-40", stdin="band 4 male\nfinish session\n")
    with Ledger.open(keeper.ledger) as ledger:
        ((call, _),) = ledger.calls_of(4)
        sound = ledger.sound_path(call)
    sound.parent.mkdir()
    soundfile.write(sound, (0.1 * np.sin(np.arange(8000) / 5)), 16000)
    out = tmp_path / "played.wav"
    assert str(sound) in keeper("bird", 4, "--play", "--wav", out)
    assert soundfile.info(out).duration == pytest.approx(0.5, abs=0.02)
    assert str(sound) in keeper("lot", "A7")


# Lists in


GOOD = "band,lot,variety,hatched,pen,sex,weight_g\n101,C1,white,2025-03-18,5,female,200\n102,C1,,,5,male,\n103,,,,,,\n"


def test_a_bird_list_comes_in(keeper: Keeper, tmp_path: Path) -> None:
    file = tmp_path / "birds.csv"
    file.write_text(GOOD, encoding="utf-8-sig")
    before = events(keeper)
    assert "3 birds can be entered" in keeper("import", file, "--dry-run", "--on", "2025-05-01")
    assert events(keeper) == before
    assert "3 birds were entered" in keeper("import", file, "--on", "2025-05-01")
    assert keeper("bird", 101).splitlines()[0] == "band 101, lot C1, pen 5, female (called 2025-05-01), 200 g"
    assert "given twice" in keeper.run("import", file, "--on", "2025-05-02").stdout


@pytest.mark.parametrize(
    ("day", "says"), [("2199-01-01", "is still to come"), ("0001-01-01", "is long past"), ("1999-12-31", "long past")]
)
def test_a_bird_list_is_of_a_day_that_can_be(keeper: Keeper, tmp_path: Path, day: str, says: str) -> None:
    file = tmp_path / "birds.csv"
    file.write_text("band,sex\n201,male\n", encoding="utf-8")
    before = events(keeper)
    for dry in ([], ["--dry-run"]):
        assert says in keeper.refused("import", file, "--on", day, *dry)
    assert events(keeper) == before


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"ring,sex\n1,male\n", "its columns are ring, sex"),
        (b"band;sex\n1;male\n", "its columns are band;sex"),
        (b"band,band\n1,1\n", "its columns are band, band"),
        (b"", "its columns are none"),
        (b"band,sex\n", "holds no bird"),
        ("band,sex\n1,h\xe4n\n".encode("latin-1"), "is not in UTF-8"),
        (b'band,sex\n1,"male\n', "is no CSV"),
    ],
)
def test_a_file_that_is_no_bird_list(keeper: Keeper, tmp_path: Path, content: bytes, says: str) -> None:
    file = tmp_path / "birds.csv"
    file.write_bytes(content)
    for dry in ([], ["--dry-run"]):
        assert says in keeper.refused("import", file, *dry)


def test_a_dry_run_names_every_bad_line(keeper: Keeper, tmp_path: Path) -> None:
    file = tmp_path / "birds.csv"
    lines = [
        "band,lot,variety,hatched,pen,sex,weight_g",
        "201,,,,5,hen,",  # a sex that is none of ours
        "202,,,,5,male,-3",
        "203,C2,,,5,male,",  # a new lot without a variety
        "204,C2,white,2025-02-30,5,male,",
        "204x,,,,5,male,",
        "205,,,,5,male,",
        "205,,,,6,male,",  # a bird in two pens
        "1,,,,5,male,",  # worn by a live bird
        "206,,,,5,male,,more",
        "207,C3,white,2025-03-01,5,male,",
        "208,C3,self-coloured,2025-03-01,5,male,",
    ]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    before = events(keeper)
    done = keeper.run("import", file, "--dry-run", "--on", "2025-05-01")
    assert done.exit_code == 2 and "9 wrong lines" in done.stderr
    named = [int(line.split(": line ")[1].split(":")[0]) for line in done.stdout.splitlines()]
    assert named == [2, 3, 4, 5, 6, 8, 9, 10, 12], done.stdout
    assert events(keeper) == before


# Lists out


def test_exports_are_read_by_others(keeper: Keeper, tmp_path: Path) -> None:
    keeper("type", "--roster", "1-40", stdin="band 4 male three hundred grams\nband 5 hen\nfinish session\n")
    keeper("move", 6, "--to", "=1+1", "--on", "2025-05-01")
    for what, count in (("birds", 40), ("calls", 2), ("weights", 1)):
        files = [tmp_path / f"{what}.{ending}" for ending in ("csv", "jsonl", "parquet")]
        for file in files:
            assert f"{count} {what}" in keeper("export", what, file)
        with files[0].open(encoding="utf-8", newline="") as opened:
            as_csv = list(csv.DictReader(opened))
        as_jsonl = [json.loads(line) for line in files[1].read_text(encoding="utf-8").splitlines()]
        as_parquet = pyarrow.parquet.read_table(files[2]).to_pylist()
        assert as_jsonl == as_parquet and len(as_csv) == len(as_jsonl) == count
        for row, other in zip(as_csv, as_jsonl, strict=True):
            expected = {name: "" if value is None else str(value) for name, value in other.items()}
            assert {name: value.removeprefix("'") for name, value in row.items()} == expected


def test_of_a_bird_weighed_twice_in_a_session_the_last_weight_holds(keeper: Keeper, tmp_path: Path) -> None:
    def weights() -> list[tuple[int, float]]:
        keeper("export", "weights", tmp_path / "weights.jsonl")
        lines = (tmp_path / "weights.jsonl").read_text(encoding="utf-8").splitlines()
        return [(row["band"], row["weight_g"]) for row in map(json.loads, lines)]

    def weigh(*said: str) -> None:
        keeper("type", "--kind", "weighing", "--pen", 3, stdin="".join(f"{line}\n" for line in said))

    weigh("band 4 three hundred grams", "band 5 two hundred grams", "band 4 three hundred ten grams", "yes")
    assert weights() == [(5, 200.0), (4, 310.0)]
    # Fixed afterwards, the first one is still the one before, and the last still the last.
    with Ledger.open(keeper.ledger) as ledger:
        (first, _), (last, _) = ledger.calls_of(4)
    keeper("fix", first, "--say", "three hundred one grams", "--reason", "misread")
    assert weights() == [(5, 200.0), (4, 310.0)]
    fixed = keeper("fix", last, "--say", "three hundred eleven grams", "--reason", "misread")
    assert sorted(weights()) == [(4, 311.0), (5, 200.0)]
    # Taken back, it leaves the one before.
    undo = fixed.split("voicelog undo ")[1].split()[0]
    for event in (undo, last):
        keeper("undo", event, "--reason", "another bird")
    assert sorted(weights()) == [(4, 301.0), (5, 200.0)]
    # Another session is another weight, and so is each that was entered.
    weigh("band 4 three hundred twelve grams")
    facts = [{"kind": "call", "on": f"2025-05-0{n}", "call": {"band": 6, "weight_g": 100.0 + n}} for n in (1, 2)]
    (tmp_path / "facts.jsonl").write_text("\n".join(map(json.dumps, facts)), encoding="utf-8")
    keeper("apply", tmp_path / "facts.jsonl")
    assert sorted(weights()) == [(4, 301.0), (4, 312.0), (5, 200.0), (6, 101.0), (6, 102.0)]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@A1", "\tx", "\rx"])
def test_no_text_is_a_formula_in_a_spreadsheet(keeper: Keeper, tmp_path: Path, text: str) -> None:
    keeper("move", 6, f"--to={text}", "--on", "2025-05-01")
    keeper("export", "birds", tmp_path / "birds.csv")
    with (tmp_path / "birds.csv").open(encoding="utf-8", newline="") as opened:
        pens = {row["pen"] for row in csv.DictReader(opened)}
    assert pens == {"3", f"'{text}"}


WRITERS = [
    ["due", "--ical"],
    ["export", "birds"],
    ["bird", "4", "--wav"],
    ["type", "--roster", "1-40", "--wav"],
]
"""Commands with a file that they write; its name comes last."""


@pytest.mark.parametrize("writer", WRITERS, ids=" ".join)
def test_no_command_writes_over_a_ledger_or_what_belongs_to_it(
    keeper: Keeper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, writer: list[str]
) -> None:
    keeper("type", "--roster", "1-40", stdin="band 4 male\nfinish session\n")
    with Ledger.open(keeper.ledger) as ledger:
        ((call, _),) = ledger.calls_of(4)
        sound = ledger.sound_path(call)
    sound.parent.mkdir()
    soundfile.write(sound, np.zeros(1600), 16000)
    other = Keeper(tmp_path / "other.csv")
    other("hatch", "B1", "--variety", "white", "--count", 3)
    link, hard = tmp_path / "link.csv", tmp_path / "hard.csv"
    link.symlink_to(keeper.ledger)
    hard.hardlink_to(keeper.ledger)
    monkeypatch.chdir(tmp_path)
    targets = [keeper.ledger, "yard.ledger", "./yard-sounds/../yard.ledger", link, hard, "yard.ledger-wal"]
    targets += ["yard.ledger-shm", other.ledger, "other.csv-wal", sound]
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    for target in targets:
        assert "; name a" in keeper.refused(*writer, target)
        assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before, target


def test_a_ledger_that_is_not_there_yet_is_not_written_over_either(tmp_path: Path) -> None:
    keep = Keeper(tmp_path / "new.csv")
    for writer in WRITERS:
        assert "is the ledger" in keep.refused(*writer, tmp_path / "new.csv")
        assert list(tmp_path.iterdir()) == []


def test_no_command_writes_over_what_it_reads(keeper: Keeper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said, link, config = tmp_path / "said.wav", tmp_path / "link.wav", tmp_path / "voicelog.toml"
    soundfile.write(said, np.zeros(16000), 16000)
    link.symlink_to(said)
    plans = tmp_path / "mine.toml"
    plans.write_text("", encoding="utf-8")
    config.write_text(f'varieties = "{plans.as_posix()}"\n', encoding="utf-8")
    monkeypatch.setenv("VOICELOG_CONFIG", str(config))
    before = said.read_bytes()
    for target in (said, link):
        assert "is what this command reads" in keeper.refused("replay", "--wav", target, "first.wav", said)
    assert said.read_bytes() == before
    for target in (plans, config):
        assert "is what this command reads" in keeper.refused("due", "--ical", target)
    assert plans.read_bytes() == b"" and "mine.toml" in config.read_text(encoding="utf-8")


def test_files_that_are_a_session_each_are_not_kept_and_say_so(tmp_path: Path) -> None:
    keep = Keeper(tmp_path / "yard.ledger")
    told = keep.refused("replay", "--each", "--roster", "1-3", "one.wav")
    assert "--each keeps nothing" in told and "leave out --ledger" in told
    assert not keep.ledger.exists()


def test_a_written_file_is_written_again_and_a_device_is_no_file(keeper: Keeper, tmp_path: Path) -> None:
    for target in (tmp_path / "birds.csv", tmp_path / "birds.csv"):
        assert "40 birds" in keeper("export", "birds", target)
    keeper("due", "--ical", "/dev/null")


# Due


def test_the_calendar_is_read_by_another_reader(keeper: Keeper, tmp_path: Path) -> None:
    file = tmp_path / "yard.ics"
    keeper("due", "--on", "2025-04-27", "--days", 10, "--ical", file)
    listed = [json.loads(line) for line in keeper("due", "--on", "2025-04-27", "--days", 10, "--json").splitlines()]
    entries = list(vobject.readOne(file.read_text(encoding="utf-8")).vevent_list)
    assert [entry.dtstart.value for entry in entries] == [date.fromisoformat(task["due"]) for task in listed]
    assert [entry.description.value for entry in entries] == [task["reason"] for task in listed]
    assert entries[0].summary.value == "pen 1, lot A7: first vent check"
    uids = [entry.uid.value for entry in entries]
    assert len(set(uids)) == len(uids) == 4
    again = tmp_path / "again.ics"
    keeper("due", "--on", "2025-04-28", "--days", 9, "--ical", again)
    assert [entry.uid.value for entry in vobject.readOne(again.read_text(encoding="utf-8")).vevent_list] == uids


def test_the_calendar_keeps_to_its_form_whatever_the_names(keeper: Keeper, tmp_path: Path) -> None:
    """RFC 5545: lines of at most 75 octets, folded between characters; commas and semicolons escaped; whole days,
    which no time zone can move; the stamp in UTC."""
    pen = "Weide, hinten; näher am Bächlein \\ links"
    keeper("move", "1-40", "--to", pen, "--on", "2025-04-21")
    file = tmp_path / "yard.ics"
    keeper("due", "--on", "2025-04-27", "--ical", file)
    content = file.read_bytes()
    lines = content.split(b"\r\n")
    assert max(map(len, lines)) <= 75 and b"\n" not in b"".join(lines)
    assert any(line.startswith(b" ") for line in lines)
    assert all(line.decode("utf-8") is not None for line in lines)
    found = {entry.summary.value for entry in vobject.readOne(content.decode("utf-8")).vevent_list}
    assert f"pen {pen}, lot A7: first vent check" in found
    task = Task("today", date(2025, 4, 29), "check", "first vent check", "A7", "3", 9, "9 birds not sexed yet")
    near_the_date_line = datetime(2025, 4, 30, 1, 30, tzinfo=timezone(timedelta(hours=13)))
    (entry,) = vobject.readOne(calendar([task], near_the_date_line).decode("utf-8")).vevent_list
    assert (entry.dtstart.value, entry.dtend.value) == (date(2025, 4, 29), date(2025, 4, 30))
    assert entry.dtstamp.value == datetime(2025, 4, 29, 12, 30, tzinfo=UTC)


def test_a_keepers_own_plan_overrides(keeper: Keeper, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own, config = tmp_path / "mine.toml", tmp_path / "voicelog.toml"
    config.write_text(f'varieties = "{own.as_posix()}"\n', encoding="utf-8")
    monkeypatch.setenv("VOICELOG_CONFIG", str(config))
    # The byte order mark that some editors write is no part of either file.
    config.write_text(config.read_text(encoding="utf-8"), encoding="utf-8-sig")
    own.write_text(
        '[varieties]\n"blue" = "early"\n"white" = "early"\n[plans.early]\nfeather_sexable = false\ngroups_age = 60\n'
        'checks = [{ name = "vent check", method = "vent", age = 40, tolerance = 1 }]\n',
        encoding="utf-8-sig",
    )
    assert "2025-04-27  pen 3, lot A7: vent check: 40 birds not sexed yet" in keeper("due", "--on", "2025-04-27")
    keeper("hatch", "B1", "--variety", "blue", "--count", 3)
    for content, says in (
        ("[varieties]\nblue = 'late'\n", "which is not there"),
        ("[plans.vent]\nage = 3\n", "plans.vent"),
        ("[plans", "cannot be read as TOML"),
        ("eggs = 3\n", "eggs must be a table"),
    ):
        own.write_text(content, encoding="utf-8")
        assert says in keeper.refused("due", "--on", "2025-04-27")


VARIETY, LOT = "weiß, früh", "Größe Ä"
"""A variety and a lot, each letter one character; another keyboard writes the marks behind their letters."""


def test_names_have_letters_of_any_language_however_they_are_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own, config, keep = tmp_path / "mine.toml", tmp_path / "voicelog.toml", Keeper(tmp_path / "yard.ledger")
    config.write_text(f'varieties = "{own.as_posix()}"\n', encoding="utf-8")
    monkeypatch.setenv("VOICELOG_CONFIG", str(config))
    apart = {name: unicodedata.normalize("NFD", name) for name in (VARIETY, LOT)}
    assert all(one != other for one, other in apart.items())
    own.write_text(f'[varieties]\n"{apart[VARIETY]}" = "vent"\n"鶉" = "vent"\n', encoding="utf-8")
    keep("set-eggs", apart[LOT], "--variety", apart[VARIETY], "--count", 9, "--on", "2025-03-01")
    keep("hatch", LOT, "--variety", VARIETY, "--count", 9, "--pen", 1, "--on", "2025-03-18")
    keep("band", "1", "--lot", apart[LOT], "--on", "2025-03-19")
    birds = tmp_path / "birds.csv"
    birds.write_text(f"band,lot,variety,hatched,pen\n2,{apart[LOT]},,,1\n3,ウズラ,鶉,2025-03-18,\n", encoding="utf-8")
    keep("import", birds, "--on", "2025-03-19")
    assert keep("lot", apart[LOT]).startswith(f"lot {LOT}: {VARIETY}, 9 eggs set")
    assert f"band 1, lot {LOT}" in keep("bird", 1) and f"band 2, lot {LOT}" in keep("bird", 2)
    assert keep("lot", "ウズラ").startswith("lot ウズラ: 鶉, 1 hatched")
    keep("group", "G-été", "1", "--pen", 2)
    # What is not seen, or turns the text around it, is no letter.
    for name in ("A\u202e7", "A\u200b7", "A\n7", "A\x1b7", "\u0308A", " A", "A/7", "=A", "A" * 21):
        assert "is no name for it; use up to 20 letters" in keep.refused(
            "set-eggs", name, "--variety", "鶉", "--count", 3
        )
    for line, says in (
        ('weiß = "vent"', 'with other letters than a to z stands in quotes, as in "weiß" = "vent"'),
        ('"a\u202eb" = "vent"', "variety 'a\\u202eb': name it by 1 to 40 letters"),
        ('" " = "vent"', "name it by 1 to 40 letters"),
        ("white = ", "mend it or name another"),
    ):
        own.write_text(f"[varieties]\n{line}\n", encoding="utf-8")
        assert says in keep.refused("due")


def test_paths_of_the_settings_may_begin_with_the_home_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home, config = tmp_path / "home", tmp_path / "voicelog.toml"
    home.mkdir()
    for variable in ("HOME", "USERPROFILE"):
        monkeypatch.setenv(variable, str(home))
    monkeypatch.setenv("VOICELOG_CONFIG", str(config))
    monkeypatch.chdir(tmp_path)
    config.write_text('ledger = "~/quail/yard.ledger"\nvarieties = "~/own.toml"\n', encoding="utf-8")
    (home / "own.toml").write_text('[varieties]\n"blue" = "vent"\n', encoding="utf-8")
    done = CliRunner().invoke(main, ["hatch", "B1", "--variety", "blue", "--count", "3"])
    assert done.exit_code == 0, done.output
    assert (home / "quail" / "yard.ledger").is_file() and not (tmp_path / "~").exists()
    assert str(home / "quail" / "yard.ledger") in CliRunner().invoke(main, ["engine"]).stdout
    config.write_text('voice_profile = "~/voice.toml"\n', encoding="utf-8")
    assert str(home / "voice.toml") in CliRunner().invoke(main, ["engine"]).stderr  # which is not there
    config.write_text('ledger = "~nosuch/yard.ledger"\n', encoding="utf-8")
    done = CliRunner().invoke(main, ["due"])
    assert done.exit_code == 2 and "there is no home folder ~nosuch" in done.stderr


def test_a_finished_check_changes_the_list_at_once(keeper: Keeper, tmp_path: Path) -> None:
    def pen_3(day: str) -> list[str]:
        listed = keeper("due", "--on", day, "--days", 0)
        return [line.split(": ", 1)[1] for line in listed.splitlines() if "pen 3" in line]

    assert pen_3("2025-04-29") == ["first vent check: 40 birds not sexed yet"]
    calls = [
        {"kind": "call", "on": "2025-04-29", "call": {"band": band, "sex": "male" if band <= 9 else "female"}}
        for band in range(1, 41)
    ]
    file = tmp_path / "calls.jsonl"
    file.write_text("\n".join(map(json.dumps, calls)), encoding="utf-8")
    keeper("apply", file)
    assert pen_3("2025-04-29") == ["move males out: 9 called male on 2025-04-29 still with hens"]
    keeper("move", "1-9", "--to", 9, "--on", "2025-04-29")
    assert pen_3("2025-04-29") == []
    assert pen_3("2025-05-06") == ["second vent check: 31 birds called hen at 42 days"]


def test_birds_that_belong_to_no_lot_are_named_and_hens_among_them_count(keeper: Keeper) -> None:
    """Two males of lot A7 in a pen where all others belong to no lot; a bird of a breeding group waits for nothing."""
    move_out = "pen 5, lot A7: move males out: 2 called male"
    keeper("type", "--roster", "1-2", stdin="band 1 male to pen 5\nband 2 male to pen 5\n")
    due = keeper.run("due", "--days", 0)
    assert due.stderr == "" and move_out not in due.stdout
    for said in ("band 61 male to pen 5", "band 62 hen", "band 63 hen to pen 5"):
        assert move_out not in keeper("due", "--days", 0)
        keeper("type", "--roster", "61-64", stdin=f"{said}\n")
    due = keeper.run("due", "--days", 0)
    assert move_out in due.stdout
    assert due.stderr == (
        "voicelog: 3 birds belong to no lot of this ledger (2 in pen 5, 1 in no pen that was named), so no check is "
        "due for them: give them one with voicelog band BANDS --lot LOT; where they were banded without a lot, undo "
        "that first\n"
    )
    keeper("group", "G1", "61,62", "--pen", 8)
    assert "1 bird belongs to no lot of this ledger (1 in pen 5)" in keeper.run("due", "--days", 0).stderr
    keeper("band", 63, "--lot", "A7", "--from", 1)
    assert keeper.run("due", "--days", 0).stderr == ""


def test_birds_of_a_lot_come_out_of_its_only_pen(tmp_path: Path) -> None:
    keep = Keeper(tmp_path / "yard.ledger")
    keep("hatch", "A7", "--variety", "white", "--count", 20, "--pen", 1, "--on", "2025-03-18")
    keep("band", "1-3", "--lot", "A7", "--on", "2025-04-08")
    keep("band", "4-5", "--lot", "A7", "--pen", 2, "--on", "2025-04-08")
    keep("died", "--lot", "A7", "--count", 1, "--on", "2025-04-09")
    assert "pen 1, lot A7: first vent check: 17 birds: 3 not sexed yet, 14 without bands" in keep(
        "due", "--on", "2025-04-29"
    )
    assert "band 1, lot A7, pen 1" in keep("bird", 1) and "band 4, lot A7, pen 2" in keep("bird", 4)
    keep("move", "--lot", "A7", "--count", 4, "--to", 3, "--on", "2025-04-10")
    assert "several pens (1, 3); say which with --from" in keep.refused("move", "--lot", "A7", "--count", 1, "--to", 5)
    assert "several pens (1, 3); say which with --pen" in keep.refused("died", "--lot", "A7", "--count", 1)


def test_a_bird_that_was_called_already_stays_in_its_pen_when_it_gets_its_lot(tmp_path: Path) -> None:
    keep = Keeper(tmp_path / "yard.ledger")
    keep("hatch", "A7", "--variety", "white", "--count", 20, "--pen", 1, "--on", "2025-03-18")
    keep("type", "--roster", "1-9", stdin="band 7 male to pen 6\n")
    keep("band", "7", "--lot", "A7")
    assert "band 7, lot A7, pen 6" in keep("bird", 7)


@pytest.mark.parametrize(
    "males_go",
    [
        ("sold", "--lot", "A7", "--count", 4, "--pen", 9),
        ("died", "--lot", "A7", "--count", 4, "--pen", 9),
        ("move", "--lot", "A7", "--count", 4, "--from", 9, "--to", 8),
        ("move", "--lot", "A7", "--count", 4, "--from", 9, "--to", 8, "--sex", "male"),
        ("band", "1-4", "--lot", "A7", "--pen", 9),
    ],
)
def test_birds_are_checked_where_males_were_that_are_gone(tmp_path: Path, males_go: tuple[object, ...]) -> None:
    keep = Keeper(tmp_path / "yard.ledger")
    keep("hatch", "A7", "--variety", "white", "--count", 10, "--pen", 1, "--on", "2025-03-18")
    keep("move", "--lot", "A7", "--count", 4, "--to", 9, "--sex", "male", "--on", "2025-04-08")
    keep(*males_go, "--on", "2025-04-09")
    keep("move", "--lot", "A7", "--count", 3, "--from", 1, "--to", 9, "--on", "2025-04-10")
    pens = [line.partition("pen ")[2] for line in keep("due", "--on", "2025-05-06", "--days", 0).splitlines()]
    birds = "7 birds: 4 not sexed yet, 3 without bands" if males_go[0] == "band" else "3 birds without bands"
    assert f"9, lot A7: second vent check: {birds}" in pens
    assert "1, lot A7: second vent check: 3 birds without bands" in pens


def test_of_males_and_others_in_one_pen_no_more_are_known_than_are_left(tmp_path: Path) -> None:
    keep = Keeper(tmp_path / "yard.ledger")
    keep("hatch", "A7", "--variety", "white", "--count", 10, "--pen", 1, "--on", "2025-03-18")
    keep("move", "--lot", "A7", "--count", 4, "--to", 9, "--sex", "male", "--on", "2025-04-08")
    keep("move", "--lot", "A7", "--count", 6, "--from", 1, "--to", 9, "--on", "2025-04-10")
    for gone, left in ((1, "6 birds"), (3, "6 birds"), (2, "4 birds")):
        keep("sold", "--lot", "A7", "--count", gone, "--pen", 9)
        assert f"pen 9, lot A7: second vent check: {left} without bands" in keep("due", "--on", "2025-05-06")
