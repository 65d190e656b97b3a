"""How badly each state of PocketSphinx's model fits each frame of a sound, reckoned in a process of its own.

PocketSphinx scores an utterance as a whole, and holds Python's lock meanwhile. In another process it leaves that to
the search, which follows the first frames while the later ones are scored: they go into a file (senlogdir), which is
read while it grows.
"""

from __future__ import annotations

import os
import queue
import shutil
import subprocess
import tempfile
import threading
import time
import weakref
from collections.abc import Iterator
from contextlib import suppress
from functools import cache
from itertools import count
from pathlib import Path
from typing import IO, ClassVar

from voicelog.aside import command_of, environment_of_child
from voicelog.hearing.phones import CostsOfFrame, ScoreFile
from voicelog.hearing.sphinx import as_bytes
from voicelog.values import Check, Frames, VoicelogError, unchecked

AGAIN_S = 0.002
"""How long to wait where no further frame is scored yet: one takes half a millisecond."""

STUCK_S = 20.0
"""A process that scores no further frame for so long is stuck, and replaced."""

ROOM = 1 << 26
"""Bytes that are to be free where scores are kept: those of twelve seconds are twelve megabytes, and PocketSphinx
crashes where they find no room."""


class ProcessEndedError(Exception):
    """The process in which PocketSphinx scores is not there any more."""


class Scorer:
    """PocketSphinx in its process; one sound at a time. `mllr` is the file of a transform that fits it to a voice.

    Raises VoicelogError where the process cannot be begun.
    """

    used_s: ClassVar = 0.0
    """Seconds of processor time that went into all sounds so far."""

    def __init__(self, mllr: Path | None = None) -> None:
        # Kept as it is now: the file may be gone when the process has to be begun again.
        self._mllr = None if mllr is None else mllr.read_bytes()
        self._numbers = count()
        self._end: weakref.finalize[..., Scorer] | None = None
        self.begin()

    def begin(self) -> None:
        """Begin with a new process, whatever became of the one before."""
        before = self._end
        try:
            scratch = _scratch()
            self.folder = Path(scratch.name)
            transform = self.folder / "transform"
            if self._mllr is not None:
                transform.write_bytes(self._mllr)
            self.process = subprocess.Popen(
                command_of("voicelog.hearing.scoring_process", str(self.folder))
                + ([] if self._mllr is None else [str(transform)]),
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment_of_child(),
                # Control-C and a terminal that is closed are for the session.
                start_new_session=True, creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )  # fmt: skip
        except OSError as wrong:
            raise VoicelogError(f"the process in which PocketSphinx scores cannot be begun ({wrong})") from wrong
        self._told: queue.SimpleQueue[list[str] | None] = queue.SimpleQueue()
        assert self.process.stdout is not None
        threading.Thread(target=_listen, args=(self.process.stdout, self._told), daemon=True).start()
        self._end = weakref.finalize(self, _end, self.process, scratch)
        if before is not None:
            before()

    def costs(self, sound: Frames, check: Check = unchecked) -> ScoredFrames:
        """Begin to score a sound, shape (samples,), int16, 16 kHz mono. `check` is called while its frames are waited
        for, and may break that off by raising."""
        return ScoredFrames(self, as_bytes(sound), check)

    def ask(self, sound: bytes) -> int:
        """Have a sound scored; by the number of it is told what comes. Raises ProcessEndedError, and OSError where the
        sound cannot be kept.

        The sound goes into a file: to write it to a process that is busy with another one would wait for that.
        """
        number = next(self._numbers)
        file = self.folder / f"{number}.sound"
        assert self.process.stdin is not None
        file.write_bytes(sound)
        try:
            self.process.stdin.write(f"{number} {file.name}\n".encode())
            self.process.stdin.flush()
        except (OSError, ValueError) as wrong:  # ValueError: it was ended, and no other could be begun
            raise ProcessEndedError from wrong
        return number

    def told(self, number: int, most_s: float) -> list[str]:
        """What the process says of that request, in words, within so many seconds; nothing otherwise. Raises
        ProcessEndedError."""
        try:
            line = self._told.get(timeout=most_s) if most_s else self._told.get_nowait()
        except queue.Empty:
            return []
        if line is None:
            self._told.put(None)
            raise ProcessEndedError
        kind, of, *rest = line
        # Of sounds before this one, nobody waits for it any more.
        return [kind, *rest] if of in ("-", str(number)) else []


class ScoredFrames:
    """The costs of each frame, in order, as soon as they are known; a second time out of the memory.

    Raises VoicelogError, when they are asked for, where PocketSphinx cannot keep its scores, or where its process ends
    and a new one ends too; and what `check` raises.
    """

    def __init__(self, scorer: Scorer, sound: bytes, check: Check) -> None:
        self._scorer = scorer
        self._sound = sound
        self._check = check
        self._rows: list[CostsOfFrame] = []
        self.whole = False
        self._begun_again = False
        self._begin()

    def _begin(self) -> None:
        try:
            self._ask()
        except ProcessEndedError:
            self._once_more()
        except OSError as wrong:
            raise self._not_kept(wrong) from wrong

    def _ask(self) -> None:
        self._path: Path | None = None
        self._file: ScoreFile | None = None
        self._came, self._idle = 0, True
        self._process = self._scorer.process
        self._number = self._scorer.ask(self._sound)

    def __iter__(self) -> Iterator[CostsOfFrame]:
        at = 0
        while at < len(self._rows) or self._more():
            yield self._rows[at]
            at += 1

    def _more(self) -> bool:
        """Wait for further rows; whether any came."""
        before, since = len(self._rows), time.monotonic()
        while not self.whole and len(self._rows) == before:
            self._check()
            try:
                self._take()
                if self._idle and time.monotonic() > since + STUCK_S:
                    raise ProcessEndedError
            except ProcessEndedError:
                self._once_more()
                since = time.monotonic()
            except (OSError, ValueError) as wrong:
                raise self._not_kept(wrong) from wrong
        return len(self._rows) > before

    def _not_kept(self, wrong: Exception) -> VoicelogError:
        where = self._scorer.folder.parent
        self._close()
        self._scorer.begin()
        return VoicelogError(
            f"{where}: PocketSphinx could not keep its scores there ({wrong}); "
            "make room there, or name another folder in the environment variable TMPDIR"
        )

    def _once_more(self) -> None:
        """Begin again with a new process: the same sound scores the same, and rows that are known are passed over."""
        where = self._scorer.folder.parent
        self._close()
        self._scorer.begin()
        if self._begun_again:
            raise VoicelogError(
                f"the process in which PocketSphinx scores has ended twice; make room in {where} and in the memory, "
                "then try again"
            )
        self._begun_again = True
        self._begin()

    def _take(self) -> None:
        """What has come. Raises ProcessEndedError, OSError, and ValueError for what cannot be all there should be."""
        if self._scorer.process is not self._process:
            raise ProcessEndedError
        match self._scorer.told(self._number, AGAIN_S if self._idle else 0):
            case ["begun", name]:
                self._path = self._scorer.folder / name
            case ["failed", *why]:
                raise ValueError(" ".join(why))
            case ["done", frames, used_s]:
                Scorer.used_s += float(used_s)
                self._read()
                if self._came != int(frames):
                    raise ValueError(f"{self._came} frames of {frames}")
                self.whole = True
                self._close()
                return
        if self._path is not None and (self._file is not None or self._path.exists()):
            self._read()

    def _read(self) -> None:
        if self._file is None:
            assert self._path is not None
            self._file = ScoreFile(self._path)
            weakref.finalize(self, self._file.close)
        rows = self._file.more()
        self._idle = not len(rows)
        known = len(self._rows) - self._came
        self._rows.extend(rows[known:])
        self._came += len(rows)

    def _close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None
        if self._path is not None and self.whole:
            # Where that cannot be, the process does it before the next sound.
            with suppress(OSError):
                self._path.unlink()


def _listen(lines: IO[bytes], told: queue.SimpleQueue[list[str] | None]) -> None:
    try:
        with lines:
            for line in lines:
                told.put(line.decode(errors="replace").split())
    finally:
        told.put(None)


def _end(process: subprocess.Popen[bytes], scratch: tempfile.TemporaryDirectory[str]) -> None:
    process.kill()
    process.wait()
    assert process.stdin is not None
    with suppress(OSError):
        process.stdin.close()
    scratch.cleanup()


def processor_s() -> float:
    """Seconds of processor time of this process and of those that scored for it."""
    return time.process_time() + Scorer.used_s


@cache
def plain_scorer() -> Scorer:
    """The one of the model as it is: one process for all recognisers."""
    return Scorer()


def _scratch() -> tempfile.TemporaryDirectory[str]:
    """Where scores of one utterance, a megabyte a second, lie for a moment: in memory, where there is such a folder."""
    memory = Path("/dev/shm")
    usable = memory.is_dir() and os.access(memory, os.W_OK) and shutil.disk_usage(memory).free >= ROOM
    return tempfile.TemporaryDirectory(prefix="voicelog-", dir=memory if usable else None, ignore_cleanup_errors=True)
