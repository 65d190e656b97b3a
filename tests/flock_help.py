"""The commands of the flock, run in this process: quick, and through the same door as a keeper's."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner, Result

from voicelog.cli import main


class Keeper:
    """Runs commands on one ledger."""

    def __init__(self, ledger: Path) -> None:
        self.ledger = ledger

    def run(self, *arguments: object, stdin: str | None = None) -> Result:
        words = [str(argument) for argument in arguments]
        return CliRunner().invoke(main, [*words, "--ledger", str(self.ledger)], input=stdin)

    def __call__(self, *arguments: object, stdin: str | None = None) -> str:
        """The output of a command that must succeed."""
        done = self.run(*arguments, stdin=stdin)
        assert done.exit_code == 0, (arguments, done.output)
        return done.stdout

    def refused(self, *arguments: object) -> str:
        """The one line of a command that must be refused with status 2."""
        done = self.run(*arguments)
        assert done.exit_code == 2, (arguments, done.output)
        assert done.stderr.count("\n") == 1 and done.stderr.startswith("voicelog: "), done.stderr
        return done.stderr.removeprefix("voicelog: ").strip()
