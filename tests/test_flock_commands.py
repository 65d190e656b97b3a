"""The flock book through its commands: entering, asking, fixing, lists in and out, and every bad input."""

from __future__ import annotations

import csv
import json
import sqlite3
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
        (["move", "--lot", "A7", "--count", 30, "--from", 1, "--to", "4"], "19 more birds"),
        (["died", "--lot", "B9", "--count", 1], "before it hatched"),
        (["lost-band", "1", "--new", "2"], "given twice"),
        (["lost-band", "99999"], "band:"),
        (["died", "0"], "roster"),
        (["name-pen", "3"], "say what the pen is called"),
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
        ('{"kind": "weather"}', "line 1: "),
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


def test_a_ledger_from_a_newer_version_is_told(keeper: Keeper) -> None:
    with closing(sqlite3.connect(keeper.ledger)) as raw:
        raw.execute("PRAGMA user_version=99")
    for command in (["due"], ["died", "1"], ["merge", str(keeper.ledger)], ["bird", "1"]):
        assert "newer voicelog" in keeper.refused(*command)


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


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@A1", "\tx", "\rx"])
def test_no_text_is_a_formula_in_a_spreadsheet(keeper: Keeper, tmp_path: Path, text: str) -> None:
    keeper("move", 6, f"--to={text}", "--on", "2025-05-01")
    keeper("export", "birds", tmp_path / "birds.csv")
    with (tmp_path / "birds.csv").open(encoding="utf-8", newline="") as opened:
        pens = {row["pen"] for row in csv.DictReader(opened)}
    assert pens == {"3", f"'{text}"}


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
    own.write_text(
        '[varieties]\n"blue" = "early"\n"white" = "early"\n[plans.early]\nfeather_sexable = false\ngroups_age = 60\n'
        'checks = [{ name = "vent check", method = "vent", age = 40, tolerance = 1 }]\n',
        encoding="utf-8",
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
