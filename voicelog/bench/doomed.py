"""A live session over the recording, to be killed: `python -m voicelog.bench.doomed LEDGER FIRST`.

The utterances of the recording from number FIRST on go one by one into the real
loop, each as soon as the reply to the one before was heard out; what was not
written is said again, twice at most. With FIRST 0 a session begins, otherwise the
last one is gone on with, as `voicelog session --resume` does it. Standard output has
a JSON line for everything that is read back, at the moment at which it is.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path

from voicelog.audio import find_voice
from voicelog.bench.stand import stand
from voicelog.ledger import Ledger
from voicelog.live import Conversation, FileSound, LineScreen, Mouth
from voicelog.recorded import recorded_session
from voicelog.resuming import go_on
from voicelog.values import SAMPLE_RATE, Frames
from voicelog.wiring import check_plans, dialogue_settings, noise_stage, open_sitting, plain_settings

MOST_SAID = 3
"""So often an utterance is said until it is written."""


def main() -> None:
    path, first = Path(sys.argv[1]), int(sys.argv[2])
    config, recorded = plain_settings(), recorded_session()
    said, stream = recorded.said(), recorded.sound()
    with Ledger.open(path) as ledger:
        recorded.write_earlier_check(ledger)
        if first:
            beginning, last = go_on(ledger, check_plans(config), dialogue_settings(config, recorded.weights))
        else:
            beginning, last = recorded.beginning, None
        sitting = open_sitting(config, None, beginning, ledger, weights=recorded.weights, resumed=last)
        known = written(ledger, sitting.session)
        now = first

        def pieces() -> Iterator[Frames]:
            nonlocal now
            for now in range(first, len(said)):
                one, before = said[now], len(known)
                for _ in range(MOST_SAID):
                    yield stream[round((one.start_s - 0.5) * SAMPLE_RATE) : round((one.end_s + 1) * SAMPLE_RATE)]
                    if one.event is None or len(known) > before:
                        break

        def tell(line: str) -> None:
            if line[:2] not in ("+ ", "? ", "- "):
                return
            new = written(ledger, sitting.session)[len(known) :]
            known.extend(new)
            say({"number": now, "said": line, "written": new, "stand": stand(sitting.state)})

        mouth = Mouth(find_voice(config.voice), path.with_name("voice"))
        sound = FileSound(pieces(), patience_s=4.0, kept=1)
        say({"ready": True})
        Conversation(sitting, noise_stage(config), mouth, sound, LineScreen(tell)).run(beginning.opening)
    say({"over": True})


def written(ledger: Ledger, session: str) -> list[str]:
    """The ids of a session's facts, in order."""
    return [event.id for event in ledger.events(session=session)]


def say(line: dict[str, object]) -> None:
    print(json.dumps(line), flush=True)


if __name__ == "__main__":
    main()
