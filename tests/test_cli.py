"""The command line: every wrong input ends in one line that says what is wrong and what to do, with status 2."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from voicelog.cli import COMMANDS, main
from voicelog.commands.written import Written


def _every_command(within: click.Group = main) -> dict[tuple[str, ...], click.Command]:
    """Every command by its words, those in groups too."""
    found: dict[tuple[str, ...], click.Command] = {}
    context = click.Context(within)
    for name in within.list_commands(context):
        command = within.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            found |= {(name, *words): inner for words, inner in _every_command(command).items()}
        else:
            found[name,] = command
    return found


EVERY = _every_command()
OF_FEW_WORDS = [words for words, command in EVERY.items() if all(param.nargs == 1 for param in command.params)]


def test_every_command_is_looked_at() -> None:
    assert {words[0] for words in EVERY} == set(COMMANDS) and len(EVERY) > len(COMMANDS)


def test_every_file_that_is_written_is_looked_at() -> None:
    """What is told to be written is declared with `written`, which spares ledgers and inputs."""
    names = {"wav", "ical", "out", "picture", "diagram", "json_file", "profile"}
    found = {(words, param.name) for words, command in EVERY.items() for param in command.params if param.name in names}
    looked_at = {
        (words, param.name)
        for words, command in EVERY.items()
        for param in command.params
        if isinstance(param.type, Written)
    }
    assert looked_at == found | {(("export",), "file")} and len(found) > 10


def refused(*arguments: str) -> str:
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2, (arguments, done.output, done.exception)
    assert done.stdout == "" and done.stderr.count("\n") == 1, done.output
    assert done.stderr.startswith("voicelog: ")
    return done.stderr.removeprefix("voicelog: ").strip()


@pytest.mark.parametrize("command", EVERY, ids=" ".join)
def test_a_strange_option_is_told_in_one_line(command: tuple[str, ...]) -> None:
    told = refused(*command, "--nonsense")
    assert "--nonsense" in told and told.endswith(f"{' '.join(command)} --help")


@pytest.mark.parametrize("command", OF_FEW_WORDS, ids=" ".join)
def test_a_word_too_many_is_told_in_one_line(command: tuple[str, ...]) -> None:
    assert "--help" in refused(*command, *"123456789")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["fly"], "fly"),
        (["grammar", "fly"], "fly"),
        (["--fly"], "--fly"),
        (["set-eggs"], "LOT"),
        (["set-eggs", "A7", "--variety", "white"], "--count"),
        (["set-eggs", "A7", "--variety", "white", "--count", "many"], "many"),
        (["set-eggs", "A7", "--variety", "white", "--count"], "--count"),
        (["hatch", "A7", "--count", "0"], "0"),
        (["tend-eggs", "A7", "boil"], "boil"),
        (["tend-eggs", "A7"], "stop-turning"),
        (["bird", "red"], "red"),
        (["due", "--days", "-1"], "-1"),
        (["due", "--days", "1.5"], "1.5"),
        (["due", "--on", "9999-12-31"], "9999-12-31"),
        (["due", "--on", "tomorrow"], "tomorrow"),
        (["move", "1"], "--to"),
        (["move", "1", "--to", "2", "--sex", "hen"], "hen"),
        (["fix", "1", "--say", "hen"], "--reason"),
        (["undo"], "EVENT"),
        (["export", "eggs", "eggs.csv"], "eggs"),
        (["type", "--kind", "dance"], "dance"),
        (["type", "--roster"], "--roster"),
        (["backup"], "TO"),
        (["name-pen", "9", "--use", "ducks"], "ducks"),
    ],
    ids=str,
)
def test_what_is_wrong_is_named(arguments: list[str], says: str) -> None:
    assert says in refused(*arguments)


def test_a_bare_name_shows_the_help() -> None:
    done = CliRunner().invoke(main, [])
    assert "Commands:" in done.output


def test_the_program_itself_ends_with_the_status() -> None:
    for arguments, status, lines in ((["bird", "red"], 2, 1), (["--version"], 0, 0)):
        done = subprocess.run(
            [sys.executable, "-m", "voicelog", *arguments], capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stderr.count("\n")) == (status, lines), done


FULL = Path("/dev/full")


@pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")
@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize("arguments", [["--help"], ["due", "--help"], ["hatch", "A7", "--count=3", "--variety=white"]])
def test_an_output_that_takes_nothing_is_told(tmp_path: Path, arguments: list[str], unbuffered: str) -> None:
    ledger = [] if "--help" in arguments else ["--ledger", str(tmp_path / "yard.ledger")]
    with FULL.open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "voicelog", *arguments, *ledger], stdout=full, stderr=subprocess.PIPE, text=True,
            check=False, env={**os.environ, "PYTHONUNBUFFERED": unbuffered},
        )  # fmt: skip
    assert done.returncode == 2 and done.stderr.count("\n") == 1, done.stderr
    assert done.stderr.startswith("voicelog: the output cannot be written")


def test_a_reader_that_has_read_enough_ends_it_without_a_word() -> None:
    program = subprocess.Popen(
        [sys.executable, "-m", "voicelog", "--help"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert program.stdout is not None and program.stderr is not None
    program.stdout.close()
    assert program.stderr.read() == b""
    program.stderr.close()
    program.wait()


@pytest.mark.skipif(sys.platform == "win32", reason="a file can be closed so on POSIX only")
def test_a_closed_input_is_told_and_begins_no_ledger(tmp_path: Path) -> None:
    ledger = tmp_path / "yard.ledger"
    done = subprocess.run(
        ["sh", "-c", 'exec "$0" -m voicelog type --roster 1-3 --ledger "$1" <&-', sys.executable, str(ledger)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (2, "", 1), done.stderr
    assert "there is no input to read calls from" in done.stderr and not ledger.exists()
