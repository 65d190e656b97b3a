"""The whole recorded session into the virtual microphone of a real sound server, without a stop, with a headset."""

from __future__ import annotations

import numpy as np
import pytest
from over_server import Spoken, whole_session

from voicelog.bench import sound_server
from voicelog.bench.soak import Compared
from voicelog.bench.sound_server import CHUNK
from voicelog.values import SAMPLE_RATE

pytestmark = pytest.mark.skipif(sound_server.missing() is not None, reason=str(sound_server.missing()))


@pytest.fixture(scope="module")
def spoken(tmp_path_factory: pytest.TempPathFactory) -> Spoken:
    return whole_session(tmp_path_factory.mktemp("headset"), loudspeaker=False)


def test_the_ledger_holds_what_was_said_and_nothing_else(spoken: Spoken) -> None:
    assert spoken.ledger == Compared(expected=42, right=42, wrong=0, missing=()), "\n".join(spoken.told)


def test_the_chain_of_hashes_holds(spoken: Spoken) -> None:
    assert spoken.faults == []


def test_replies_came_out_of_the_speaker(spoken: Spoken) -> None:
    """Those that are talked over stop, so how much was said is not known to the second."""
    loud = [sound_server.is_loud(piece) for piece in spoken.heard]
    begun = int(np.sum(~np.array(loud[:-1]) & np.array(loud[1:])))
    assert sum(loud) * CHUNK / SAMPLE_RATE > 42 and begun > 42
