"""The bar of the commands that take long."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress, ProgressColumn


def progress(*told: ProgressColumn, hidden: bool = False) -> Progress:
    """A bar on the screen, none in a log; `told` is what stands behind it, by default how many of all and how long."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), *(told or (MofNCompleteColumn(), TimeRemainingColumn())))
    console = Console(stderr=True)
    hidden = hidden or not console.is_terminal
    return Progress(*columns, console=console, transient=True, disable=hidden, redirect_stdout=False)
