"""The command line: which commands there are, and how a wrong input is told."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from typing import Any, NoReturn

import click

from voicelog.values import VoicelogError

COMMANDS = {
    "session": "session:session",
    "demo": "demo:demo",
    "replay": "replay:replay",
    "type": "typing:type_calls",
    "summary": "summary:summary",
    "engine": "engine:engine",
    "rehearse": "rehearse:rehearse",
    "bench": "bench:bench",
    "grammar": "grammar:grammar",
    "due": "due:due",
    "bird": "history:bird",
    "pen": "history:pen",
    "lot": "history:lot",
    "set-eggs": "entering:set_eggs",
    "tend-eggs": "entering:tend_eggs",
    "hatch": "entering:hatch",
    "band": "entering:band",
    "lost-band": "entering:lost_band",
    "move": "entering:move",
    "died": "entering:died",
    "sold": "entering:sold",
    "group": "entering:group",
    "name-pen": "entering:name_pen",
    "fix": "fix:fix",
    "undo": "fix:undo",
    "apply": "apply:apply",
    "import": "birdlist:import_birds",
    "export": "export:export",
    "merge": "copies:merge",
    "conflicts": "copies:conflicts",
    "backup": "copies:backup",
    "restore": "copies:restore",
}
"""Every command: the module of `voicelog.commands` and the function in it. Imported when asked for."""


class _Voicelog(click.Group):
    """Tells every wrong input in one line and ends with status 2."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module, function = COMMANDS[name].split(":")
        command: click.Command = getattr(import_module(f"voicelog.commands.{module}"), function)
        return command

    def main(
        self, args: Sequence[str] | None = None, prog_name: str | None = None, complete_var: str | None = None,
        standalone_mode: bool = True, **extra: Any,
    ) -> Any:  # fmt: skip
        if not standalone_mode:
            return super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        try:
            status = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
        except click.exceptions.NoArgsIsHelpError as nothing_said:
            nothing_said.show()
            sys.exit(2)
        except click.ClickException as wrong:
            _end(_usage(wrong))
        except VoicelogError as wrong:
            _end(str(wrong))
        except click.Abort:
            click.echo("voicelog: stopped", err=True)
            sys.exit(1)
        except OSError as wrong:
            # A pipe that was closed at its other end is click's, and ends the program without a word.
            if not _in_telling(wrong):
                raise
            _end(f"the output cannot be written ({wrong.strerror}); free some space, or send it elsewhere")
        sys.exit(status if isinstance(status, int) else 0)


def _usage(wrong: click.ClickException) -> str:
    """What click finds wrong with the words of a command, and where to read how they go."""
    ctx = getattr(wrong, "ctx", None)
    told = wrong.format_message().rstrip(". \n")
    return f"{told}; see {ctx.command_path} --help" if ctx is not None else told


def _in_telling(wrong: OSError) -> bool:
    """Whether it was raised where something is told (by click), not by a file; nothing goes to stdout any more then."""
    trace = wrong.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    if trace is None or trace.tb_frame.f_globals.get("__name__") != click.utils.__name__:
        return False
    # What is left in the buffer is written when the interpreter ends, which would tell of it once more.
    with suppress(OSError):  # a stdout that is no file of the system's
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return True


def _end(says: str) -> NoReturn:
    """One line, whatever the text of a library in it looks like, and status 2."""
    click.echo(f"voicelog: {' '.join(says.split())}", err=True)
    sys.exit(2)


@click.group(cls=_Voicelog, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="voicelog")
def main() -> None:
    """Speak calls over quail with both hands full; each is read back and kept.

    Example: voicelog demo
    """
