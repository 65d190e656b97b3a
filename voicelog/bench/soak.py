"""Hours of live sessions, one after the other in one process: whether memory grows, and whether anything is missed.

The method: the recorded continuous session over and over into the real loop
(cutting, noise suppression, recogniser, dialogue, ledger, kept sounds,
replies), as one unbroken stream with a clock of its own, as fast as the machine
goes. When the handler finishes a session, the next begins with the same ears,
voice and ledger. What is left out is the sound device.
"""

from __future__ import annotations

import gc
import json
import os
import sys
import time
from bisect import bisect_right
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import repeat
from pathlib import Path
from statistics import median

import numpy as np

from voicelog.audio import NoiseStage
from voicelog.hearing.scores import processor_s
from voicelog.ledger import Ledger
from voicelog.live import Conversation, FileSound, LineScreen, LiveSettings, Mouth, Timing
from voicelog.live.file_sound import BLOCK
from voicelog.recorded import RecordedSession, Said
from voicelog.sitting import Sitting, Taken
from voicelog.values import SAMPLE_RATE, VoicelogError

BETWEEN = 6 * SAMPLE_RATE
"""Silence from one recording to the next, so that the last reply of a session is over before the next begins."""


@dataclass(frozen=True, slots=True)
class Round:
    """One session of the soak. `until_s` is the clock of the sound at its end; `memory_mb` what the process holds.

    `expected` facts should have been written, `right` of them were, in order; `wrong` were written besides.
    `missed` tells of each that was not what came of its words. `delay_s` is the median time, by the clock of
    the sound, from the end of an utterance as the recording's list has it to when it was taken.
    """

    until_s: float
    memory_mb: float
    expected: int
    right: int
    wrong: int
    missed: tuple[str, ...]
    delay_s: float
    utterances: int
    cpu_s: float
    wall_s: float


@dataclass(frozen=True, slots=True)
class Soaked:
    """The whole. The quarters are of the time of the sound: first against last shows a leak or a drifting clock.

    `utterances_a_session`: the fewest and the most.
    """

    sound_s: float
    sessions: int
    utterances: int
    utterances_a_session: tuple[int, int]
    expected: int
    right: int
    wrong: int
    memory_first_quarter_mb: float
    memory_last_quarter_mb: float
    memory_most_mb: float
    delay_first_quarter_s: float
    delay_last_quarter_s: float
    cpu_s: float
    wall_s: float
    faults_of_the_ledger: int


@dataclass(frozen=True, slots=True)
class Compared:
    """What a session wrote beside what should have come of its words: `right` of the `expected` facts are there, in
    order, `wrong` were written besides; `missing` are the places of the utterances whose facts are not there."""

    expected: int
    right: int
    wrong: int
    missing: tuple[int, ...]


def compared(said: Sequence[Said], ledger: Ledger, session: str) -> Compared:
    """The facts of a session of the recording, of these of its utterances."""
    found = _facts(ledger, session)
    wanted = [(number, _as_text(one.event, one.record)) for number, one in enumerate(said) if one.event]
    missing = tuple(wanted[place][0] for place in _missing([text for _, text in wanted], found))
    right = len(wanted) - len(missing)
    return Compared(len(wanted), right, len(found) - right, missing)


def soak(
    recorded: RecordedSession, sitting: Sitting, ledger: Ledger, stage: NoiseStage, mouth: Mouth, minutes: float,
    tell: Callable[[Round], None], advance: Callable[[float], None] = lambda sound_s: None,
) -> Soaked:  # fmt: skip
    """At least so many minutes of sound, to the end of the session that is going on then.

    `sitting` is the first session, at its beginning. Raises VoicelogError where memory cannot be asked for.
    """
    first, said, stream = sitting.state, recorded.said(), recorded.sound()
    stream = np.concatenate([stream, np.zeros(BETWEEN, np.int16)])
    stream = np.concatenate([stream, np.zeros(-len(stream) % BLOCK, np.int16)])
    # Without patience pieces follow each other at once: one stream.
    sound = FileSound(repeat(stream), kept=1)
    rounds: list[Round] = []
    while sound.now() < minutes * 60:
        if rounds:
            sitting = sitting.again(first)
        offset_s = len(rounds) * len(stream) / SAMPLE_RATE
        begun_cpu, begun = processor_s(), time.perf_counter()
        delays: list[float] = []
        came: dict[int, str] = {}

        def watch(
            taken: Taken, timing: Timing, offset_s: float = offset_s, delays: list[float] = delays,
            came: dict[int, str] = came,
        ) -> None:  # fmt: skip
            now_s = sound.now() - offset_s
            which = bisect_right([one.end_s for one in said], now_s) - 1
            delays.append(now_s - said[which].end_s)
            came[which] = f"heard “{taken.heard}” ({taken.certainty:.2f}), said “{taken.reply}”"
            advance(sound.now())

        # A headset, since the recording does not wait for replies.
        settings = LiveSettings(headset=True)
        Conversation(sitting, stage, mouth, sound, LineScreen(lambda line: None), settings, watch).run(
            recorded.beginning.opening
        )
        kept = compared(said, ledger, sitting.session)
        missed = tuple(f"{said[number].words}: {came.get(number, 'nothing')}" for number in kept.missing)
        gc.collect()
        rounds.append(
            Round(
                sound.now(), memory_mb(), kept.expected, kept.right, kept.wrong, missed,
                median(delays) if delays else 0.0, len(delays), processor_s() - begun_cpu,
                time.perf_counter() - begun,
            )
        )  # fmt: skip
        tell(rounds[-1])
        if sitting.state.mode != "finished":
            raise VoicelogError("the recorded session was not finished by its own words: hearing is out of order")
    return _sum(rounds, len(ledger.verify()))


def _sum(rounds: list[Round], faults: int) -> Soaked:
    until = rounds[-1].until_s
    begins = [0.0, *(one.until_s for one in rounds)]
    first = [one for one, begin in zip(rounds, begins, strict=False) if begin < until / 4]
    last = [one for one in rounds if one.until_s > until * 3 / 4]
    return Soaked(
        sound_s=until,
        sessions=len(rounds),
        utterances=sum(one.utterances for one in rounds),
        utterances_a_session=(min(one.utterances for one in rounds), max(one.utterances for one in rounds)),
        expected=sum(one.expected for one in rounds),
        right=sum(one.right for one in rounds),
        wrong=sum(one.wrong for one in rounds),
        memory_first_quarter_mb=median(one.memory_mb for one in first),
        memory_last_quarter_mb=median(one.memory_mb for one in last),
        memory_most_mb=max(one.memory_mb for one in rounds),
        delay_first_quarter_s=median(one.delay_s for one in first),
        delay_last_quarter_s=median(one.delay_s for one in last),
        cpu_s=sum(one.cpu_s for one in rounds),
        wall_s=sum(one.wall_s for one in rounds),
        faults_of_the_ledger=faults,
    )


def _facts(ledger: Ledger, session: str) -> list[str]:
    facts = [event.fact for event in ledger.events(session=session) if event.fact.kind != "session_started"]
    return [_as_text(fact.kind, fact.call.model_dump() if fact.kind == "call" else None) for fact in facts]


def _as_text(event: str | None, record: dict[str, object] | None) -> str:
    return json.dumps([event, record if event == "call" else None], sort_keys=True)


def _missing(wanted: list[str], found: list[str]) -> list[int]:
    """Places in `wanted` of what is not in `found` in the same order."""
    kept = SequenceMatcher(None, wanted, found, autojunk=False).get_matching_blocks()
    there = {block.a + step for block in kept for step in range(block.size)}
    return [place for place in range(len(wanted)) if place not in there]


def memory_mb() -> float:
    """What this process and those that work for it hold in memory, in MB; what they share is counted in each. Raises
    VoicelogError where the system does not say."""
    try:
        pages = _pages("self")
    except OSError:
        raise VoicelogError(f"memory cannot be measured on {sys.platform}: run this on Linux") from None
    for thread in Path("/proc/self/task").iterdir():
        # Threads and processes end meanwhile.
        with suppress(OSError):
            for child in (thread / "children").read_text(encoding="ascii").split():
                with suppress(OSError):
                    pages += _pages(child)
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def _pages(process: str) -> int:
    return int(Path("/proc", process, "statm").read_text(encoding="ascii").split()[1])
