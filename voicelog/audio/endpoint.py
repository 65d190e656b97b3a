"""Cutting a stream of sound into utterances.

The defaults were chosen by measuring, on calls by seven synthetic voices over fan
noise (pink noise and hum), clean and at 20, 10 and 5 dB, loud and 20 dB quieter;
behind noise suppression on four of the voices. No calls were held back to check
the choice on.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np

from voicelog.audio.speech import FRAME_LENGTH, FRAME_S, SpeechDetector
from voicelog.values import SAMPLE_RATE, Frames, VoicelogError

_OPENING_WINDOW = 5
_OPENING_FRAMES = 3
"""So many of the frames in the window must be speech to open an utterance."""


@dataclass(frozen=True, slots=True)
class CutSettings:
    """How a stream is cut; all in seconds.

    An utterance closes after `closing_silence_s` without speech. It is given
    with `before_s` in front of its first speech, so that a soft first sound is
    not lost, and `after_s` behind its last. What has less than `shortest_s` of
    speech is dropped as a knock. At `longest_s` it is cut, speech or not.

    Raises VoicelogError for settings that make no sense together.
    """

    before_s: float = 0.3
    after_s: float = 0.4
    closing_silence_s: float = 0.6
    shortest_s: float = 0.1
    longest_s: float = 12.0

    def __post_init__(self) -> None:
        if not 0 <= self.after_s <= self.closing_silence_s:
            raise VoicelogError("cutting: after_s must be between 0 and closing_silence_s")
        if self.before_s < 0 or not 0 < self.shortest_s < self.longest_s:
            raise VoicelogError("cutting: before_s must not be negative, and shortest_s below longest_s")
        if self.longest_s < self.before_s + 1.0:
            raise VoicelogError("cutting: longest_s must leave a second of speech after before_s")


@dataclass(frozen=True, eq=False, slots=True)
class Clip:
    """One utterance out of a stream.

    `start_s` and `end_s` are seconds from the start of the stream; `frames` is
    the sound between them, shape (samples,), int16, 16 kHz mono. `cut_short`
    says that it is a piece of speech that went on longer than the longest
    utterance: its start or its end is missing.
    """

    start_s: float
    end_s: float
    frames: Frames
    cut_short: bool


def cut(blocks: Iterable[Frames], settings: CutSettings | None = None) -> Iterator[Clip]:
    """The utterances of a stream, each as soon as it is over.

    `blocks` are pieces of the stream of any length, shape (samples,), int16,
    16 kHz mono; how it is split makes no difference.
    """
    cutter = Cutter(settings)
    for block in blocks:
        yield from cutter.feed(block)
    yield from cutter.flush()


class Cutter:
    """Cuts a stream that is pushed into it piece by piece; see `cut`."""

    def __init__(self, settings: CutSettings | None = None) -> None:
        self._settings = settings or CutSettings()
        self._stream = _Stream(self._settings)

    def feed(self, frames: Frames) -> list[Clip]:
        """The utterances that are over now."""
        return list(self._stream.feed(frames))

    @property
    def silence_s(self) -> float | None:
        """Seconds since the last speech of the utterance that is open; None where none is."""
        return self._stream.silence_s

    @property
    def speech_end_s(self) -> float | None:
        """Where in the stream, in seconds, the open utterance last had speech; None where none is open."""
        return self._stream.speech_end_s

    @property
    def now_s(self) -> float:
        """Where in the stream it is, in seconds; what `drop` forgot counts where it was looked at."""
        return self._stream.now_s

    def so_far(self) -> Clip | None:
        """The open utterance, still open, as it would be if it closed now; None for too little speech."""
        return self._stream.so_far()

    def close(self) -> Clip | None:
        """Close the open utterance now, before its silence is over."""
        return self._stream.close()

    def drop(self) -> None:
        """Forget the open utterance and all sound; what the place sounds like is still known."""
        self._stream.drop()

    def flush(self) -> list[Clip]:
        """The utterance that the end of the stream closes, if any. What is fed next is a new stream."""
        stream, self._stream = self._stream, _Stream(self._settings)
        return list(stream.end())


@dataclass(slots=True)
class _Speech:
    """Speech that is going on: where its clip starts, where it was last heard (both in frames
    from the start of the stream), how many frames of it there were."""

    start: int
    last: int
    voiced: int
    began_short: bool = False


class _Stream:
    """One stream from start to end."""

    def __init__(self, settings: CutSettings) -> None:
        self._before = _frames(settings.before_s)
        self._after = _frames(settings.after_s)
        self._closing = _frames(settings.closing_silence_s)
        self._shortest = _frames(settings.shortest_s)
        self._longest = _frames(settings.longest_s)
        self._detector = SpeechDetector()
        self._waiting = np.zeros(0, np.int16)
        self._now = 0
        self._held: deque[Frames] = deque()
        """The last frames up to now: while there is speech from its start on, else enough to start from."""
        self._free_from = 0
        """Frames before this one are in a clip already."""
        self._recent: deque[bool] = deque(maxlen=_OPENING_WINDOW)
        self._speech: _Speech | None = None

    def feed(self, frames: Frames) -> Iterator[Clip]:
        waiting = np.concatenate([self._waiting, frames])
        ready = len(waiting) // FRAME_LENGTH * FRAME_LENGTH
        self._waiting = waiting[ready:]
        for frame in waiting[:ready].reshape(-1, FRAME_LENGTH):
            self._held.append(frame)
            voiced = self._detector.is_speech(frame)
            if self._speech:
                yield from self._go_on(self._speech, voiced)
            else:
                self._wait(voiced)
            self._now += 1

    def end(self) -> Iterator[Clip]:
        if self._speech:
            self._held.append(self._waiting)
            end = min(self._speech.last + 1 + self._after, self._now + 1)
            yield from self._clip(self._speech, end, self._speech.began_short)

    @property
    def silence_s(self) -> float | None:
        return (self._now - 1 - self._speech.last) * FRAME_S if self._speech else None

    @property
    def speech_end_s(self) -> float | None:
        return (self._speech.last + 1) * FRAME_S if self._speech else None

    @property
    def now_s(self) -> float:
        return self._now * FRAME_S

    def so_far(self) -> Clip | None:
        speech = self._speech
        if speech is None or speech.voiced < self._shortest:
            return None
        end = min(speech.last + 1 + self._after, self._now)
        sound = np.concatenate(list(islice(self._held, end - speech.start)))
        return Clip(speech.start * FRAME_S, end * FRAME_S, sound, speech.began_short)

    def close(self) -> Clip | None:
        clip = self.so_far()
        if self._speech and clip is not None:
            self._free_from = self._speech.start + len(clip.frames) // FRAME_LENGTH
            for _ in range(len(clip.frames) // FRAME_LENGTH):
                self._held.popleft()
        self._speech = None
        return clip

    def drop(self) -> None:
        self._speech = None
        self._held.clear()
        self._recent.clear()
        self._waiting = self._waiting[:0]
        self._free_from = self._now

    def _wait(self, voiced: bool) -> None:
        self._recent.append(voiced)
        if sum(self._recent) >= _OPENING_FRAMES:
            first = self._now + 1 - len(self._recent) + self._recent.index(True)
            start = max(first - self._before, self._free_from)
            self._speech = _Speech(start, last=self._now, voiced=sum(self._recent))
            self._recent.clear()
        else:
            start = self._now + 1 - _OPENING_WINDOW - self._before
        while self._now + 1 - len(self._held) < start:
            self._held.popleft()

    def _go_on(self, speech: _Speech, voiced: bool) -> Iterator[Clip]:
        if voiced:
            speech.last = self._now
            speech.voiced += 1
        if self._now - speech.last >= self._closing:
            self._speech = None
            yield from self._clip(speech, speech.last + 1 + self._after, speech.began_short)
        elif self._now + 1 - speech.start >= self._longest:
            yield from self._clip(speech, self._now + 1, cut_short=True)
            self._speech = _Speech(self._now + 1, last=self._now, voiced=0, began_short=True)

    def _clip(self, speech: _Speech, end: int, cut_short: bool) -> Iterator[Clip]:
        """The sound from the start of the speech up to frame `end`, if there is enough speech in it."""
        if speech.voiced < self._shortest:
            return
        sound = np.concatenate([self._held.popleft() for _ in range(end - speech.start)])
        self._free_from = end
        start_s = speech.start * FRAME_S
        yield Clip(start_s, start_s + len(sound) / SAMPLE_RATE, sound, cut_short)


def _frames(seconds: float) -> int:
    return round(seconds / FRAME_S)
