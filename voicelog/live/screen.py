"""What is shown of a live session: lines in a log, or a page to be read from two metres."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol, Self

MARKS = {"accept": "+", "ask": "?", "reject": "-"}


@dataclass(frozen=True, slots=True)
class View:
    """Where the session stands. `level_dbfs` is that of the microphone, in dB over full scale."""

    mode: str = "starting"
    heard: str = ""
    said: str = ""
    verdict: str = ""
    stands: str = ""
    notice: str = ""
    level_dbfs: float = -96.0


class Screen(Protocol):
    """`show` is called often, `tell` once for everything that happened."""

    def show(self, view: View) -> None: ...

    def tell(self, line: str) -> None: ...

    def __enter__(self) -> Self: ...

    def __exit__(self, *error: object) -> None: ...


class LineScreen:
    """One line for everything that happened: for a log, or a terminal that can do no more."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write

    def show(self, view: View) -> None:
        pass

    def tell(self, line: str) -> None:
        self._write(line)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        pass


class LargeScreen:
    """The whole terminal: how many are left and the last reply in large letters, the level as a bar."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.live import Live

        self._console = Console()
        self._live = Live(console=self._console, screen=True, auto_refresh=False)
        self._lines: list[str] = []

    def show(self, view: View) -> None:
        self._live.update(page(view, self._console.width), refresh=True)

    def tell(self, line: str) -> None:
        self._lines.append(line)

    def __enter__(self) -> Self:
        self._live.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self._live.__exit__(None, None, None)
        for line in self._lines:
            self._console.print(line, markup=False, highlight=False)


_STYLE = {"accept": "bold green", "ask": "bold yellow", "reject": "bold red"}
_QUIETEST_DBFS = -60.0
_LOUD_DBFS = -6.0


def page(view: View, width: int) -> Any:
    """The page as rich draws it."""
    from rich.console import Group
    from rich.text import Text

    parts: list[Any] = [Text(_large(view.stands or view.mode, width), style="bold cyan")]
    if view.mode != "listening":
        parts.append(Text(_large(view.mode, width), style="bold magenta"))
    parts += [
        Text(f"heard: {view.heard}", style="dim"),
        Text(_large(view.said, width), style=_STYLE.get(view.verdict, "bold")),
        meter(view.level_dbfs, width),
    ]
    if view.notice:
        parts.append(Text(_large(view.notice, width), style="bold red"))
    parts.append(Text("space or a pedal: pause and go on   q: leave, go on later with --resume", style="dim"))
    return Group(*parts)


def meter(level_dbfs: float, width: int) -> Any:
    """The level as a bar; red where it is near full scale."""
    from rich.text import Text

    share = min(max((level_dbfs - _QUIETEST_DBFS) / -_QUIETEST_DBFS, 0.0), 1.0)
    filled = round(share * (width - 2))
    return Text("█" * filled + "·" * (width - 2 - filled), style="red" if level_dbfs > _LOUD_DBFS else "green")


def _large(text: str, width: int) -> str:
    from pyfiglet import figlet_format

    return str(figlet_format(text, font="small", width=max(width, 40))) if text else ""
