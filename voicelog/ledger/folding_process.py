"""The process that folds the upper half of a large ledger: `python -m voicelog.ledger.folding_process LEDGER BAND`.

It reads the events about bands above BAND, and writes what `voicelog.ledger.tables.folded` makes of them to standard
output, by `marshal`: all of it, or it ends with another status than 0.
"""

from __future__ import annotations

import gc
import marshal
import os
import sqlite3
import sys
from pathlib import Path

from voicelog.ledger.halves import half_of
from voicelog.ledger.tables import decided, folded


def main() -> None:
    gc.disable()  # as in a rebuild
    ledger, middle = Path(sys.argv[1]), int(sys.argv[2])
    conn = sqlite3.connect(f"{ledger.absolute().as_uri()}?mode=ro", uri=True)
    calls, birds, conflicts, again = folded(conn, decided(conn), half_of(conn, middle, upper=True))
    rows = [[(given, count, list(values)) for given, count, values in batches] for batches in (calls, birds)]
    sys.stdout.buffer.write(marshal.dumps((*rows, conflicts, again)))
    sys.stdout.buffer.flush()
    # Somebody waits, and to take a million rows apart takes a while.
    os._exit(0)


if __name__ == "__main__":
    main()
