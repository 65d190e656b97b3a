"""Files that a command writes: an option or argument that names one never costs a ledger, a sound or an input."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from voicelog.values import VoicelogError, expanded
from voicelog.wiring import plain_settings

if TYPE_CHECKING:
    from voicelog.config import Config

F = TypeVar("F", bound=Callable[..., object])

SQLITE = b"SQLite format 3\0"
PARTS = ("", "-wal", "-shm", "-journal")
"""The endings of the files that an SQLite file may consist of."""


class Written(click.Path):
    """A file that is written: `written` makes parameters of this type, and has them looked at."""


def written(*names: str, argument: bool = False, **how: Any) -> Callable[[F], F]:
    """An option, or an argument, that names a file to be written.

    Before the command begins, such a file is refused where writing it would lose something (`spare`).
    """
    declared = (click.argument if argument else click.option)(*names, type=Written(path_type=Path), **how)

    def add(command: F) -> F:
        # Around the command and not in the option's callback: that is called before all other options are known.
        @wraps(command)
        def careful(*args: Any, **kwargs: Any) -> object:
            _look(click.get_current_context())
            return command(*args, **kwargs)

        return declared(cast("F", careful))

    return add


def spare(target: Path, *, ledgers: Iterable[Path] = (), inputs: Iterable[Path] = ()) -> None:
    """Raises VoicelogError where `target` is one of the ledgers, a part of one or a sound that one keeps, one of
    the inputs, or any SQLite file; by whatever spelling or link. Nothing is touched."""
    if _loses_nothing(target):
        return
    for ledger in ledgers:
        if _same(target, ledger):
            raise VoicelogError(f"{target} is the ledger, and would be overwritten; name another file")
        if any(_same(target, Path(f"{ledger}{part}")) for part in PARTS):
            raise VoicelogError(f"{target} belongs to the ledger, and would be overwritten; name another file")
        if _same(Path(os.path.realpath(target)).parent, ledger.with_name(f"{ledger.stem}-sounds")):
            raise VoicelogError(f"{target} lies among the sounds of the ledger; name a file in another folder")
    if any(_same(target, path) for path in inputs):
        raise VoicelogError(f"{target} is what this command reads, and would be overwritten; name another file")
    if any(_is_sqlite(path) for path in _wholes(Path(os.path.realpath(target)))):
        raise VoicelogError(f"{target} is a ledger or another SQLite file, or a part of one; name another file")


def _look(context: click.Context) -> None:
    given = [(param, path) for param in context.command.params for path in _paths(context.params.get(param.name or ""))]
    targets = [(param, path) for param, path in given if isinstance(param.type, Written)]
    if not targets:
        return
    ledgers = [path for param, path in given if param.name == "ledger"]
    inputs = [path for param, path in given if param.name != "ledger" and not isinstance(param.type, Written)]
    # What is wrong with the settings is told by what needs them.
    with suppress(VoicelogError):
        config = plain_settings()
        ledgers.append(expanded(config.ledger))
        inputs += _of_settings(config)
    for number, (_, target) in enumerate(targets):
        if not _loses_nothing(target) and any(_same(target, other) for _, other in targets[:number]):
            raise VoicelogError(f"{target} is named twice to be written; name another file")
        spare(target, ledgers=ledgers, inputs=inputs)


def _loses_nothing(target: Path) -> bool:
    """Whether it is a device, a pipe, or a folder, which cannot be overwritten."""
    return target.exists() and not target.is_file()


def _paths(value: object) -> Iterator[Path]:
    if isinstance(value, Path):
        yield value
    elif isinstance(value, tuple):
        yield from (path for path in value if isinstance(path, Path))


def _of_settings(config: Config) -> Iterator[Path]:
    from voicelog.config import config_path

    yield config_path()
    for path in (config.yard, config.varieties):
        if path is not None:
            yield expanded(path)


def _same(one: Path, other: Path) -> bool:
    with suppress(OSError, ValueError):
        return one.samefile(other)
    # Not both are there: where each would come to lie.
    return os.path.normcase(os.path.realpath(one)) == os.path.normcase(os.path.realpath(other))


def _wholes(path: Path) -> Iterator[Path]:
    """The files that this may be, or be a part of."""
    for part in PARTS:
        if path.name.endswith(part) and path.name != part:
            yield path.with_name(path.name.removesuffix(part))


def _is_sqlite(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(SQLITE)) == SQLITE
    except OSError:
        return False
