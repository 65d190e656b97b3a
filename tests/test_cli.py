"""The command line: every wrong input ends in one line that says what is wrong and what to do, with status 2."""

from __future__ import annotations

import subprocess
import sys

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
