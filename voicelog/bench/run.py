"""Trials through systems, by one process or several, each result kept as soon as it is there."""

from __future__ import annotations

import hashlib
import multiprocessing
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from pathlib import Path

import voicelog
from voicelog.bench.grid import Trial
from voicelog.bench.result import Result, ResultsFile
from voicelog.bench.systems import System, put_to, system_named
from voicelog.config import Config
from voicelog.places import shipped
from voicelog.values import VoicelogError
from voicelog.wiring import grammars_folder, open_grammars, yard_file

Task = tuple[str, Trial]


def run(tasks: Sequence[Task], config: Config, kept: ResultsFile, workers: int = 1) -> Iterator[Result]:
    """Runs what `kept` does not hold yet, and adds it. Yields each new result.

    Raises VoicelogError where a system, a voice or the cache cannot be used.
    """
    finished = {(result.system, result.key) for result in kept}
    todo = [task for task in tasks if (task[0], task[1].key) not in finished]
    for result in _hear_all(todo, config, workers):
        kept.add(result)
        yield result


def made_with(config: Config) -> str:
    """The hash of all that may change a result: the code and words of the product, and its settings.

    Raises VoicelogError for words that cannot be used.
    """
    open_grammars(config)  # so that a file that is missing or wrong is told as by any other command
    package = Path(voicelog.__file__).parent
    code = [file for file in package.rglob("*.py") if file.parent.name not in _NEVER_HEARD]
    # Whatever the settings name, the calls are drawn and understood by the shipped words.
    words = {file for folder in (shipped("grammars"), grammars_folder(config)) for file in folder.iterdir()}
    yard = yard_file(config)
    if yard is not None:
        words.add(yard)
    hashed = hashlib.sha256(config.model_dump_json(exclude={"ledger", "voice", "keep_sound", "reminders"}).encode())
    for file in sorted((*code, *(file for file in words if file.is_file()))):
        hashed.update(file.name.encode() + b"\0" + _content(file))
    return hashed.hexdigest()[:16]


def _content(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as wrong:
        raise VoicelogError(f"{file}: cannot be read ({wrong.strerror}); see to it that it can, or move it") from None


_NEVER_HEARD = ("commands", "flock", "report", "ledger")
"""Rooms whose code changes no result."""


def _hear_all(todo: Sequence[Task], config: Config, workers: int) -> Iterable[Result]:
    if not todo:
        return
    if workers == 1:
        _prepare(config)
        yield from map(_hear, todo)
        return
    # Spawned, for a forked process would share what the decoders keep.
    with multiprocessing.get_context("spawn").Pool(workers, _prepare, (config,)) as pool:
        yield from pool.imap_unordered(_hear, todo, chunksize=4)


_config: Config | None = None


def _prepare(config: Config) -> None:
    global _config  # noqa: PLW0603 - a pool's workers have no other place to keep what they were started with
    _config = config
    _system.cache_clear()


@cache
def _system(name: str) -> System:
    assert _config is not None
    return system_named(name, _config)


def _hear(task: Task) -> Result:
    name, trial = task
    return put_to(name, _system(name), trial)
