"""Whether PulseAudio (or PipeWire in its place) still gives this process the microphone that it began with.

When a microphone is pulled out, PulseAudio from 14 on moves whoever records
from it to another one, and tells nobody: sound goes on, from a laptop's lid or
from the speaker's own monitor. PortAudio cannot see it.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable

LOOK_S = 0.5


def watch_source(moved: Callable[[str], None]) -> None:
    """Call `moved` once, with the name of the other microphone, if there is such a server and it moves this process.

    Call it when recording has begun. Returns at once; where no such server is
    in use, nothing ever happens.
    """
    threading.Thread(target=_watch, args=(moved,), daemon=True).start()


def _watch(moved: Callable[[str], None]) -> None:
    if sys.platform != "linux":
        return
    try:
        import pulsectl
    except (ImportError, OSError):  # OSError: there is no libpulse
        return
    wait = threading.Event()
    try:
        with pulsectl.Pulse("voicelog watch", connect=False) as server:
            server.connect(autospawn=False)
            first: dict[int, int] = {}
            while True:
                for stream in server.source_output_list():
                    if stream.proplist.get("application.process.id") != str(os.getpid()):
                        continue
                    if first.setdefault(stream.index, stream.source) != stream.source:
                        names = {source.index: source.description for source in server.source_list()}
                        moved(names.get(stream.source, "none"))
                        return
                wait.wait(LOOK_S)
    except pulsectl.PulseError:
        # No server here, or it ended: then its sound ends too, which is seen elsewhere.
        return
