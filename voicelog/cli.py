"""The command line: which commands there are, and how a wrong input is told."""

from __future__ import annotations

from importlib import import_module
from typing import Any

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

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except VoicelogError as wrong:
            click.echo(f"voicelog: {wrong}", err=True)
            ctx.exit(2)


@click.group(cls=_Voicelog, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="voicelog")
def main() -> None:
    """Speak calls over quail with both hands full; each is read back and kept.

    Example: voicelog demo
    """
