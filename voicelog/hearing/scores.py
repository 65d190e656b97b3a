"""How badly each state of PocketSphinx's model fits each frame of a sound, reckoned in a process of its own.

PocketSphinx scores an utterance as a whole, and holds Python's lock meanwhile. In another process it leaves that to
the search, which follows the first frames while the later ones are scored: they go into a file (senlogdir), which is
read while it grows.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import closing
from functools import cache, partial
from itertools import count, islice
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from voicelog.aside import Tidy, process_of_its_own
from voicelog.hearing.phones import CostsOfFrame, ScoreFile
from voicelog.hearing.sphinx import as_bytes, decode, open_decoder
from voicelog.values import Check, Frames, VoicelogError, unchecked

if TYPE_CHECKING:
    from pocketsphinx import Decoder

NARROW = {"beam": 1e-20, "pbeam": 1e-20, "wbeam": 1e-20}
"""PocketSphinx's own search finds nothing that is used."""

AGAIN_S = 0.002
"""How long to wait where no further frame is scored yet: one takes half a millisecond."""

Done = tuple[int, float]
"""Frames that were scored, and the seconds of processor time that took."""


class Scorer:
    """PocketSphinx in its process; one sound at a time. `mllr` is the file of a transform that fits it to a voice."""

    used_s: ClassVar = 0.0
    """Seconds of processor time that went into all sounds so far."""

    def __init__(self, mllr: Path | None = None) -> None:
        self._mllr = mllr
        self.begin()

    def begin(self) -> None:
        """Begin with a new process, whatever became of the one before."""
        self._folder = _scratch()
        self._process = process_of_its_own(_begin, self._mllr, Path(self._folder.name))
        # The library numbers its utterances.
        self._files = (Path(self._folder.name) / f"{number:09}.sen" for number in count())
        # Started now, and not when somebody waits for it.
        self._process.submit(int)

    def costs(self, sound: Frames, check: Check = unchecked) -> ScoredFrames:
        """Begin to score a sound, shape (samples,), int16, 16 kHz mono. `check` is called while its frames are waited
        for, and may break that off by raising."""
        return ScoredFrames(self, as_bytes(sound), check)

    def score(self, sound: bytes) -> tuple[Future[Done], Path]:
        """What is told when it is done, and the file in which the scores stand as they come."""
        try:
            done = self._process.submit(_score, sound)
        except BrokenProcessPool:
            self.begin()
            done = self._process.submit(_score, sound)
        return done, next(self._files)


class ScoredFrames:
    """The costs of each frame, in order, as soon as they are known; a second time out of the memory.

    Raises VoicelogError, when they are asked for, where PocketSphinx cannot keep its scores, or where its process ends
    and a new one ends too.
    """

    def __init__(self, scorer: Scorer, sound: bytes, check: Check) -> None:
        self._scorer = scorer
        self._sound = sound
        self._check = check
        self._rows: list[CostsOfFrame] = []
        self._begin()
        self._rest = self._further()

    def _begin(self) -> None:
        self._done, self._file = self._scorer.score(self._sound)

    def __iter__(self) -> Iterator[CostsOfFrame]:
        yield from self._rows
        for row in self._rest:
            self._rows.append(row)
            yield row

    def _further(self) -> Iterator[CostsOfFrame]:
        try:
            try:
                yield from self._coming()
            except BrokenProcessPool:
                # The same sound scores the same.
                self._begin()
                yield from islice(self._coming(), len(self._rows), None)
        except BrokenProcessPool as wrong:
            raise VoicelogError("the process in which PocketSphinx scores has ended twice; try again") from wrong
        except (OSError, RuntimeError, ValueError, IndexError) as wrong:
            # What failed in the middle of a sound would refuse the next one.
            self._scorer.begin()
            raise VoicelogError(
                f"{self._file.parent}: PocketSphinx could not keep its scores there; make room there, "
                "or name another folder in the environment variable TMPDIR"
            ) from wrong
        finally:
            self._file.unlink(missing_ok=True)

    def _coming(self) -> Iterator[CostsOfFrame]:
        while not self._file.exists() and not self._done.done():
            self._check()
            time.sleep(AGAIN_S)
        if self._done.done():
            self._done.result()
        with closing(ScoreFile(self._file)) as file:
            came, over = 0, False
            while not over:
                self._check()
                # Asked before it is read: what is scored in between comes the next time.
                over = self._done.done()
                rows = file.more()
                yield from rows
                came += len(rows)
                if not over and not len(rows):
                    time.sleep(AGAIN_S)
        scored, used_s = self._done.result()
        Scorer.used_s += used_s
        if came != scored:
            raise ValueError(f"{came} frames of {scored}")


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
    usable = memory.is_dir() and os.access(memory, os.W_OK)
    return tempfile.TemporaryDirectory(prefix="voicelog-", dir=memory if usable else None, ignore_cleanup_errors=True)


class _Worker:
    """What the process holds."""

    decoder: Decoder
    folder: Path


def _begin(mllr: Path | None, folder: Path) -> Tidy:
    decoder = open_decoder(mllr, dict=os.devnull, senlogdir=str(folder), **NARROW)
    # It must search for something while it scores: for silence.
    decoder.add_fsg("scores", decoder.create_fsg("scores", 0, 1, [(0, 1, 1.0, "<sil>")]))
    decoder.activate_search("scores")
    _Worker.decoder, _Worker.folder = decoder, folder
    return partial(shutil.rmtree, folder, ignore_errors=True)


def _score(sound: bytes) -> Done:
    # Of sounds that nobody waited for to the end.
    for old in _Worker.folder.glob("*.sen"):
        old.unlink(missing_ok=True)
    began = time.process_time()
    decode(_Worker.decoder, sound)
    # It counts one frame more than it scores.
    return _Worker.decoder.n_frames() - 1, time.process_time() - began
