"""The process in which PocketSphinx scores: `python -m voicelog.hearing.scoring_process FOLDER [TRANSFORM]`.

Standard input has sounds, each behind the number of the request and its length in bytes (`REQUEST`). Standard output
has lines: "begun NUMBER FILE" when the scores of a sound begin to stand in FILE, "done NUMBER FRAMES SECONDS" with the
processor time when they all do, "failed NUMBER WHY", behind which the process ends: what failed in the middle of a
sound would refuse the next one. It ends with its standard input, so with whoever began it, and leaves no file.
"""

from __future__ import annotations

import os
import shutil
import struct
import sys
import time
from contextlib import suppress
from itertools import count
from pathlib import Path

from voicelog.hearing.sphinx import decode, open_decoder

REQUEST = struct.Struct("<II")

NARROW = {"beam": 1e-20, "pbeam": 1e-20, "wbeam": 1e-20}
"""PocketSphinx's own search finds nothing that is used."""


def main() -> None:
    folder = Path(sys.argv[1])
    try:
        _answer(folder, Path(sys.argv[2]) if sys.argv[2:] else None)
    except BrokenPipeError:
        # Nobody is there any more.
        os._exit(0)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _answer(folder: Path, mllr: Path | None) -> None:
    decoder = open_decoder(mllr, dict=os.devnull, senlogdir=str(folder), **NARROW)
    # It must search for something while it scores: for silence.
    decoder.add_fsg("scores", decoder.create_fsg("scores", 0, 1, [(0, 1, 1.0, "<sil>")]))
    decoder.activate_search("scores")
    requests = sys.stdin.buffer
    for utterance in count():
        head = requests.read(REQUEST.size)
        if len(head) < REQUEST.size:
            return
        number, length = REQUEST.unpack(head)
        sound = requests.read(length)
        # The library numbers its utterances, and leaves every file.
        file = folder / f"{utterance:09}.sen"
        for old in folder.glob("*.sen"):
            # Windows keeps a file that is still being read.
            with suppress(OSError):
                old.unlink()
        print("begun", number, file.name, flush=True)
        began = time.process_time()
        try:
            decode(decoder, sound)
        except (OSError, RuntimeError, ValueError, LookupError) as wrong:
            print("failed", number, " ".join(str(wrong).split()), flush=True)
            return
        # It counts one frame more than it scores.
        print("done", number, decoder.n_frames() - 1, time.process_time() - began, flush=True)


if __name__ == "__main__":
    main()
