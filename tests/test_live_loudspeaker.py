"""The whole recorded session over a real sound server, with a loudspeaker that the microphone hears at -10 dB."""

from __future__ import annotations

from pathlib import Path

import pytest
from over_server import SPEED, Spoken, likeness, whole_session

from voicelog.audio import find_voice
from voicelog.bench import sound_server
from voicelog.bench.soak import Compared
from voicelog.live import Mouth

pytestmark = pytest.mark.skipif(sound_server.missing() is not None, reason=str(sound_server.missing()))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("loudspeaker")


@pytest.fixture(scope="module")
def spoken(folder: Path) -> Spoken:
    return whole_session(folder, loudspeaker=True)


def test_the_ledger_holds_what_was_said_and_nothing_else(spoken: Spoken) -> None:
    assert spoken.ledger == Compared(expected=42, right=42, wrong=0, missing=()), "\n".join(spoken.told)


def test_the_chain_of_hashes_holds(spoken: Spoken) -> None:
    assert spoken.faults == []


def test_what_the_speaker_gave_is_what_the_screen_told(spoken: Spoken, folder: Path) -> None:
    """The session's voice is kept in its cache: the synthesizer never says the same twice, to the sample."""
    mouth = Mouth(find_voice(speed=SPEED), folder / "cache" / "voicelog" / "voice", SPEED)
    texts = [(text, heard) for verdict, heard in spoken.replies for text in verdict[2:].split(". ")]
    assert len(texts) > 42
    # Another reply's words mostly come to 0.3 to 0.6; on a busy machine a sound may have gaps.
    assert {text: found for text, heard in texts if (found := likeness(heard, text, mouth)) < 0.75} == {}
