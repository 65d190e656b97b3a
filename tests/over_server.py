"""Live sessions over a sound server, and a handler who speaks the whole recorded one, answers and hears the replies.

He knows what he said: to a question that the recording does not answer itself he says the recording's yes if it names
just that, else its no, and what was not understood he says again. So what comes to stand in the ledger besides is a
silent error.
"""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from voicelog.bench import sound_server
from voicelog.bench.reply_time import pause_of
from voicelog.bench.soak import Compared, compared
from voicelog.bench.sound_server import Handler, SoundServer
from voicelog.ledger import Ledger
from voicelog.live import Mouth
from voicelog.recorded import RecordedSession, Said, recorded_session
from voicelog.session import Reply, wording
from voicelog.values import SAMPLE_RATE, Call, Frames

LEAK_DB = -10.0
SPEED = 2.0
"""With a loudspeaker every reply is heard out: so much faster than usual it is spoken, or the suite would take longer
than it may."""

_YES, _NO = 3, 10
"""Utterances of the recording that are nothing else."""

_WEIGHT_FROM_S = {4: 2.15, 11: 1.25, 21: 1.8, 41: 2.0, 48: 1.87}
"""Where in an utterance its weight begins: said by itself, it answers a choice of two weights."""

_COMMANDS = ("correction", "how many left", "no", "who is left")
"""Utterances that are answered though no fact comes of them."""

_ANSWERED_S = 60.0
"""Longest wait for an answer that must come, on a busy machine too."""

_UNANSWERED_S = 5.0
"""What is not meant for voicelog, such as a cough, may get none at all."""

_TRIES = 4
_AROUND_S = 0.2
"""Of the place, before and after an utterance that is said by itself."""

_WINDOW = SAMPLE_RATE // 4


@contextmanager
def session(server: SoundServer, ledger: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """`voicelog session` as a user starts it; without a terminal it writes lines."""
    bands = ",".join(map(str, recorded_session().beginning.roster))
    roster = () if "--resume" in options else ("--roster", bands, "--pen", "3")
    with (ledger.parent / "errors").open("w") as errors:
        running = subprocess.Popen(
            [sys.executable, "-u", "-m", "voicelog", "session", "--microphone", "mic", "--speaker", "spk",
             "--ledger", str(ledger), *roster, *options],
            env=server.environment, stdout=subprocess.PIPE, stderr=errors, text=True,
        )  # fmt: skip
        try:
            yield running
        finally:
            running.terminate()
            running.wait(timeout=30)
            assert running.stdout is not None
            running.stdout.close()
    assert "Traceback" not in (ledger.parent / "errors").read_text()


def wait_for(running: subprocess.Popen[str], text: str) -> list[str]:
    """The lines up to one that holds `text`; the last one ends the program if that never comes."""
    assert running.stdout is not None
    lines: list[str] = []
    hung = threading.Timer(120, running.kill)
    hung.start()
    try:
        for line in running.stdout:
            lines.append(line.rstrip("\n"))
            if text in line:
                return lines
    finally:
        hung.cancel()
    raise AssertionError(f"{text!r} never came: {lines}")


class Screen:
    """What a session without a terminal writes, line by line."""

    def __init__(self, running: subprocess.Popen[str]) -> None:
        self._lines: list[str] = []
        self._over = False
        self._more = threading.Condition()
        threading.Thread(target=self._follow, args=[running], daemon=True).start()

    def _follow(self, running: subprocess.Popen[str]) -> None:
        assert running.stdout is not None
        for line in running.stdout:
            with self._more:
                self._lines.append(line.rstrip("\n"))
                self._more.notify_all()
        with self._more:
            self._over = True
            self._more.notify_all()

    def skip(self) -> None:
        """What was told so far is about nothing that is said from now on."""
        with self._more:
            self._lines.clear()

    def verdict(self, most_s: float) -> str:
        """What came of the next utterance, such as "+ four two, male"; empty where nothing does for so long."""
        until = time.monotonic() + most_s
        with self._more:
            while True:
                while self._lines:
                    line = self._lines.pop(0)
                    if line.startswith(("+ ", "? ", "- ")):
                        return line
                if self._over or not self._more.wait(until - time.monotonic()):
                    return ""


@dataclass
class Spoken:
    """How it went: `told` are the words of each utterance, and what came of them; `replies` with a loudspeaker what
    the screen told of an utterance, and what the speaker gave until the reply was over."""

    told: list[str] = field(default_factory=list)
    replies: list[tuple[str, Frames]] = field(default_factory=list)
    heard: list[Frames] = field(default_factory=list)
    """All that the speaker gave, in pieces of 20 ms."""

    ledger: Compared | None = None
    faults: list[str] = field(default_factory=list)
    """Of the chain of hashes."""


def speak(recorded: RecordedSession, handler: Handler, screen: Screen, loudspeaker: bool) -> Spoken:
    """Say all that the recording holds, to the end of the session.

    With a headset every sample of it in order, pauses and all: only where a pause is over before voicelog told what
    came of the utterance does the handler wait for that, as anybody would. With a `loudspeaker` he hears each reply
    out, so his pauses are as long as those.
    """
    stream, said, spoken = recorded.sound(), recorded.said(), Spoken()
    between = [0, *(round((one.start_s - _AROUND_S) * SAMPLE_RATE) for one in said[1:]), len(stream)]
    for number, one in enumerate(said):
        sound = _alone(stream, one) if loudspeaker else stream[between[number] : between[number + 1]]
        words, answered = one.words, one.record is not None or one.event is not None or one.words in _COMMANDS
        for _ in range(_TRIES):
            began = len(handler.heard)
            screen.skip()
            handler.say(sound)
            verdict = screen.verdict(_ANSWERED_S if answered else _UNANSWERED_S)
            spoken.told.append(f"{words}: {verdict}")
            if loudspeaker and verdict:
                handler.hear_out(quiet_s=0.3)
                spoken.replies.append((verdict, np.concatenate(handler.heard[began:])))
            if not answered or verdict.startswith("+") or (verdict.startswith("?") and one.event is None):
                break
            words, sound = one.words, _alone(stream, one)
            if verdict.endswith(" grams?") and number in _WEIGHT_FROM_S:
                words = "its weight"
                sound = _alone(stream, replace(one, start_s=one.start_s + _WEIGHT_FROM_S[number] + _AROUND_S))
            elif verdict.endswith("? yes or no"):
                meant = wording.record(Call.model_validate(one.record)) if one.record else ""
                answer = said[_YES if meant and f"{meant}? " in verdict else _NO]
                words, sound = answer.words, _alone(stream, answer)
    spoken.heard = list(handler.heard)
    return spoken


def _alone(stream: Frames, one: Said) -> Frames:
    return stream[round((one.start_s - _AROUND_S) * SAMPLE_RATE) : round((one.end_s + _AROUND_S) * SAMPLE_RATE)]


def whole_session(folder: Path, loudspeaker: bool) -> Spoken:
    """The recorded session as a user starts it, from the first word to the last, into a ledger of its own."""
    path, recorded = folder / "yard.ledger", recorded_session()
    with Ledger.open(path) as ledger:
        recorded.write_earlier_check(ledger)
    with sound_server.sound_server(folder) as server:
        if loudspeaker:
            server.leak(LEAK_DB)
            settings = folder / "voicelog.toml"
            settings.write_text(f"speed = {SPEED}\n")
            server.environment["VOICELOG_CONFIG"] = str(settings)
        with session(server, path, *([] if loudspeaker else ["--headset"])) as running:
            handler = Handler(server, pause_of(recorded))
            wait_for(running, "pen three")
            handler.hear_out()
            spoken = speak(recorded, handler, Screen(running), loudspeaker)
            running.wait(timeout=60)
            handler.close()
    with Ledger.open(path, must_exist=True) as ledger:
        spoken.ledger = compared(recorded.said(), ledger, ledger.last_session() or "")
        spoken.faults = [str(fault) for fault in ledger.verify()]
    return spoken


def likeness(heard: Frames, text: str, mouth: Mouth) -> float:
    """How surely a reply is in what the speaker gave, 0 to 1: of each quarter of a second of the reply the greatest
    correlation, and of those the median, for a busy machine may leave a gap somewhere."""
    import soxr
    from scipy.signal import correlate

    reply = mouth.sound_of([Reply(text, earcon=None, kind="readback")])
    said = soxr.resample(reply.astype(np.float64), mouth.rate, SAMPLE_RATE)
    there = np.pad(heard.astype(np.float64), _WINDOW)
    energy = np.convolve(there**2, np.ones(_WINDOW), "valid")
    found = []
    for start in range(0, len(said) - _WINDOW, _WINDOW):
        window = said[start : start + _WINDOW]
        products = correlate(there, window, "valid", "fft")
        found.append(float((products / np.sqrt(np.maximum(energy * (window**2).sum(), 1.0))).max()))
    return float(np.median(found))
