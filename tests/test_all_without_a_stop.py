"""The whole recorded session over a real sound server, without a stop. It lasts as long as the recording: the name
makes it begin before the others, which go on beside it."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from server_parts import NO_SERVER, SOUND, earlier_check, session, wait_for

from voicelog.bench import sound_server
from voicelog.bench.soak import Compared, compared
from voicelog.bench.sound_server import CHUNK, Handler
from voicelog.ledger import Ledger
from voicelog.recorded import recorded_session
from voicelog.values import SAMPLE_RATE

pytestmark = pytest.mark.skipif(NO_SERVER is not None, reason=str(NO_SERVER))


def test_the_recording_is_in_the_ledger_as_it_was_said(tmp_path: Path) -> None:
    """With a headset, so that the handler may go on while replies are played."""
    path, said = tmp_path / "yard.ledger", recorded_session().said()
    earlier_check(path)
    with sound_server.sound_server(tmp_path) as server, session(server, path, "--headset") as running:
        handler = Handler(server)
        wait_for(running, "pen three")
        handler.hear_out()
        speaking = threading.Thread(target=handler.say, args=(SOUND,))
        speaking.start()
        # Its last words end the session, and with it the program.
        assert running.stdout is not None
        lines = [line.rstrip("\n") for line in running.stdout]
        handler.close()
        speaking.join()
        loud_s = sum(map(sound_server.is_loud, handler.heard)) * CHUNK / SAMPLE_RATE
    with Ledger.open(path, must_exist=True) as ledger:
        assert ledger.verify() == []
        found = compared(said, ledger, ledger.last_session() or "")
    expected = sum(one.event is not None for one in said)
    assert found == Compared(expected, expected, 0, ()), "\n".join(lines)
    # Each was answered, too.
    assert sum(line.startswith(("+", "?")) for line in lines) >= expected
    assert loud_s > expected
