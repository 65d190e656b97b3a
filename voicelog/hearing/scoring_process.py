"""The process in which PocketSphinx scores: `python -m voicelog.hearing.scoring_process FOLDER [TRANSFORM]`.

Standard input has a line for each sound, "NUMBER FILE": the number of the request, and where in FOLDER its samples
are. Standard output has lines: "begun NUMBER FILE" when its scores begin to stand in FILE, "done NUMBER FRAMES SECONDS"
with the processor time when they all do, "failed NUMBER WHY", behind which the process ends, for what failed in the
middle of a sound would refuse the next one; a NUMBER of - is of no request. It ends with its standard input, so with
whoever began it, and leaves no file.
"""

from __future__ import annotations

import os
import shutil
import sys
import time
from contextlib import suppress
from itertools import count
from pathlib import Path

from voicelog.hearing.sphinx import decode, open_decoder
from voicelog.values import VoicelogError

NARROW = {"beam": 1e-20, "pbeam": 1e-20, "wbeam": 1e-20}
"""PocketSphinx's own search finds nothing that is used."""


def main() -> None:
    folder = Path(sys.argv[1])
    # Where nobody is there any more, nothing is left to be told.
    with suppress(BrokenPipeError):
        _answer(folder, Path(sys.argv[2]) if sys.argv[2:] else None)
    shutil.rmtree(folder, ignore_errors=True)
    os._exit(0)


def _answer(folder: Path, mllr: Path | None) -> None:
    number = "-"
    try:
        decoder = open_decoder(mllr, dict=os.devnull, senlogdir=str(folder), **NARROW)
        # It must search for something while it scores: for silence.
        decoder.add_fsg("scores", decoder.create_fsg("scores", 0, 1, [(0, 1, 1.0, "<sil>")]))
        decoder.activate_search("scores")
        for utterance, line in zip(count(), sys.stdin, strict=False):
            number, name = line.split()
            sound = (folder / name).read_bytes()
            for old in (*folder.glob("*.sen"), folder / name):
                # Windows keeps a file that is still being read.
                with suppress(OSError):
                    old.unlink()
            # The library numbers its utterances.
            print("begun", number, f"{utterance:09}.sen", flush=True)
            began = time.process_time()
            decode(decoder, sound)
            # It counts one frame more than it scores.
            print("done", number, decoder.n_frames() - 1, time.process_time() - began, flush=True)
    except BrokenPipeError:
        raise
    except (OSError, RuntimeError, ValueError, LookupError, VoicelogError) as wrong:
        print("failed", number, *str(wrong).split(), flush=True)


if __name__ == "__main__":
    main()
