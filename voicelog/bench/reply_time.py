"""How long from the end of speech to the first sample of the reply, and where the time goes.

With a sound server: the recorded utterances go into a virtual microphone, one
after the other and as long as they last. What the microphone gives and what the
speaker gives are recorded side by side, each piece with the time at which it came,
so that the way there and back through the sound server is in neither. Speech ends
where the cutter hears its last in the microphone, the reply begins with the first
sample of the speaker. What neither the session nor the silence that it waits
accounts for is the device: PortAudio's buffers and the processes between.

Without: the same utterances through the loop with a clock of their own. The
work is timed, the silence is that of the sound, and the device is left out.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from voicelog.audio import CutSettings, NoiseStage, cut
from voicelog.bench.child import STUCK_S, Child
from voicelog.bench.soak import Compared, compared
from voicelog.bench.sound_server import CHUNK, Ear, Handler, SoundServer
from voicelog.ledger import Ledger
from voicelog.live import Conversation, FileSound, LineScreen, Mouth, Timing
from voicelog.live.patience import LOOK_S
from voicelog.recorded import RecordedSession, Said
from voicelog.sitting import Sitting, Taken
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

BEFORE_S, AFTER_S = 0.4, 0.2
"""Silence of the recording that goes with an utterance."""

PLACE_S = 4.0
"""So long before an utterance the cutter hears the place, as that of the session does."""

PATIENCE_S = 8.0
"""So long a reply is waited for: not everything that is said gets one."""

_LOUD = 200

Pieces = Sequence[tuple[float, Frames]]
"""Sound as an `Ear` heard it: when each piece of `CHUNK` samples had come, and the piece."""


@dataclass(frozen=True, slots=True)
class ReplyTime:
    """One utterance, in seconds. `decode_s` and the noise suppression in it are what came on top of the silence
    that was waited anyway; `device_s` is None where there was none."""

    total_s: float
    silence_s: float
    decode_s: float
    write_s: float
    synthesis_s: float
    device_s: float | None

    @property
    def after_closing_s(self) -> float:
        return self.total_s - self.silence_s


def by_recordings(
    recorded: RecordedSession, sitting: Sitting, stage: NoiseStage, mouth: Mouth, count: int,
    advance: Callable[[], None],
) -> list[ReplyTime]:  # fmt: skip
    stream, times = recorded.sound(), list[ReplyTime]()

    def watch(taken: Taken, timing: Timing) -> None:
        parts = _on_the_way(timing)
        times.append(ReplyTime(sum(parts), *parts, device_s=None))
        advance()

    sound = FileSound((_piece(stream, one) for one in _spoken(recorded, count)), patience_s=PATIENCE_S, kept=1)
    Conversation(sitting, stage, mouth, sound, LineScreen(lambda line: None), None, watch).run("listening")
    return times


def by_server(
    recorded: RecordedSession, server: SoundServer, folder: Path, count: int, advance: Callable[[], None],
    leak_db: float | None = None,
) -> tuple[list[ReplyTime], Compared]:  # fmt: skip
    """The times of the replies, and what came to stand in the ledger.

    With `leak_db` the microphone hears the replies too, so much louder than they are: then nothing is timed, for
    the end of speech cannot be told from theirs.
    """
    path = folder / "timed.ledger"
    if leak_db is not None:
        server.leak(leak_db)
    session = Child(["-m", "voicelog.bench.timed", str(path)], server.environment)
    times, stream = list[ReplyTime](), recorded.sound()
    try:
        if session.line(STUCK_S) is None:
            raise VoicelogError(f"the session does not start: {session.end()[-300:]}")
        # Between utterances of a microphone that gave nothing, the cutter would take the place itself for speech.
        handler = Handler(server, background=pause_of(recorded))
        microphone, speaker = Ear(server, "mic.monitor"), Ear(server, "spk.monitor")
        handler.hear_out(quiet_s=1.0)
        for one in _spoken(recorded, count):
            clip = _piece(stream, one)
            while session.line(0.01) is not None:
                pass
            began_s = time.monotonic()
            handler.say(clip)
            answered = handler.hear_out(PATIENCE_S, quiet_s=0.7)
            advance()
            told = [json.loads(line) for line in _lines(session)]
            # An utterance that was heard as two, or not at all, has no one reply to be timed.
            if leak_db is not None or not answered or len(told) != 1 or "silence_s" not in told[0]:
                continue
            told[0].pop("heard")
            ended_s = _end_of_speech(microphone.since(began_s - PLACE_S))
            total = _first_loud(speaker.since(ended_s)) - ended_s
            parts = _on_the_way(Timing(**told[0]))
            times.append(ReplyTime(total, *parts, device_s=total - sum(parts)))
        for one_of_them in (handler, microphone, speaker):
            one_of_them.close()
    finally:
        session.end()
    with Ledger.open(path, must_exist=True) as ledger:
        return times, compared(_spoken(recorded, count), ledger, ledger.last_session() or "")


def figures(times: list[ReplyTime]) -> dict[str, dict[str, float]]:
    """The 50th and the 95th percentile of each part, in milliseconds. Raises VoicelogError where nothing was timed."""
    if not times:
        raise VoicelogError("no reply was timed: nothing was heard; see voicelog engine")
    columns = {name: [asdict(one)[name] for one in times] for name in asdict(times[0])}
    columns["after_closing_s"] = [one.after_closing_s for one in times]
    return {
        name.removesuffix("_s"): {
            f"p{share}": round(float(np.percentile(column, share)) * 1000, 1) for share in (50, 95)
        }
        for name, column in columns.items()
        if None not in column
    }


def load() -> float:
    """How many processes want to run, a processor: above 1 the times are those of a busy machine."""
    return round(os.getloadavg()[0] / (os.cpu_count() or 1), 2) if hasattr(os, "getloadavg") else 0.0


def _on_the_way(timing: Timing) -> tuple[float, float, float, float]:
    """Silence, decoding, writing, synthesis: those on the way from the end of speech to the reply. Decoding
    begins before the silence is over, and what of it fell into the silence took no time."""
    worked_until = LOOK_S + timing.clean_s + timing.decode_s
    return timing.silence_s, max(0.0, worked_until - timing.silence_s), timing.write_s, timing.synthesis_s


def _spoken(recorded: RecordedSession, count: int) -> list[Said]:
    """In order, so that the dialogue is the recorded one; its last words end the session."""
    said = recorded.said()
    return said if count >= len(said) else said[:count]


def _piece(stream: Frames, one: Said) -> Frames:
    return stream[round((one.start_s - BEFORE_S) * SAMPLE_RATE) : round((one.end_s + AFTER_S) * SAMPLE_RATE)]


def pause_of(recorded: RecordedSession) -> Frames:
    """The longest pause of the recording, forth and back, in whole pieces of `CHUNK` samples, int16, 16 kHz: what the
    place sounds like all the time."""
    stream, said = recorded.sound(), recorded.said()
    pauses = [
        stream[round((one.end_s + AFTER_S) * SAMPLE_RATE) : round((other.start_s - BEFORE_S) * SAMPLE_RATE)]
        for one, other in pairwise(said)
    ]
    longest = max(pauses, key=len)
    longest = longest[: len(longest) // CHUNK * CHUNK]
    return np.concatenate([longest, longest[::-1]])


def _end_of_speech(came: Pieces) -> float:
    """When the cutter hears the last speech, by the clock of the pieces: the silence that it waits is counted from
    there. Raises VoicelogError where it hears none."""
    settings = CutSettings()
    sound = [frames for _, frames in came]
    clips = list(cut([*sound, np.zeros(2 * SAMPLE_RATE, np.int16)], settings))
    if not clips:
        raise VoicelogError("the virtual microphone gave no speech; see its sound server's log")
    return _moment(came, round((clips[-1].end_s - settings.after_s) * SAMPLE_RATE))


def _first_loud(came: Pieces) -> float:
    """When the first sample that is no silence came. Raises VoicelogError where none did."""
    loud = np.flatnonzero(np.abs(np.concatenate([frames for _, frames in came]).astype(np.int32)) > _LOUD)
    if not len(loud):
        raise VoicelogError("the virtual speaker gave no reply; see its sound server's log")
    return _moment(came, int(loud[0]))


def _moment(came: Pieces, sample: int) -> float:
    """When a sample came: so long before the end of its piece as that is behind it."""
    piece = min(sample // CHUNK, len(came) - 1)
    return came[piece][0] - ((piece + 1) * CHUNK - sample) / SAMPLE_RATE


def _lines(session: Child) -> Iterable[str]:
    while (line := session.line(0.05)) is not None:
        yield line
