"""A live session over the virtual microphone and speaker that tells where the time of each reply went.

`python -m voicelog.bench.timed LEDGER`, under the environment of a `SoundServer`. Standard output has a JSON
line for the first sound, and one for every utterance: the fields of `Timing`, in seconds.
"""

from __future__ import annotations

import json
import sys
from contextlib import closing
from dataclasses import asdict
from pathlib import Path

from voicelog.audio import find_voice
from voicelog.ledger import Ledger
from voicelog.live import Conversation, DeviceSound, LineScreen, Mouth, Timing
from voicelog.recorded import recorded_session
from voicelog.sitting import Taken
from voicelog.wiring import noise_stage, open_sitting, plain_settings


def main() -> None:
    path = Path(sys.argv[1])
    config, recorded = plain_settings(), recorded_session()
    with (
        Ledger.open(path) as ledger,
        closing(DeviceSound("mic", "spk", lambda note: print(note, file=sys.stderr))) as sound,
    ):
        sitting = open_sitting(config, None, recorded.beginning, ledger, weights=recorded.weights)
        mouth = Mouth(find_voice(config.voice), path.with_name("voice"))
        mouth.warm_up(recorded.beginning.roster)

        def watch(taken: Taken, timing: Timing) -> None:
            print(json.dumps({"heard": taken.heard, **asdict(timing)}), flush=True)

        conversation = Conversation(
            sitting, noise_stage(config), mouth, sound, LineScreen(lambda line: None), None, watch
        )
        print(json.dumps({"ready": True}), flush=True)
        # Said, so that the speaker is awake before the first reply.
        conversation.run("listening")
        print(json.dumps({"overruns": conversation.overruns}), flush=True)


if __name__ == "__main__":
    main()
