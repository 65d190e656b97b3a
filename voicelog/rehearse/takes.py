"""One prompt after another: the sound cleaned as in a session, and what was heard of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from voicelog.audio import cut
from voicelog.audio.clean import ClipCleaner
from voicelog.audio.views import views_of
from voicelog.grammar import Grammar
from voicelog.hearing import Recogniser
from voicelog.rehearse.prompts import Words
from voicelog.values import SAMPLE_RATE, Frames, Heard, VoicelogError


@dataclass(frozen=True, eq=False, slots=True)
class Take:
    """A prompt as the handler said it: its speech behind the noise stage, and as a recogniser is given it."""

    prompt: Words
    clean: Frames
    views: tuple[Frames, ...]


@dataclass(frozen=True, slots=True)
class Result:
    """What was heard of a prompt. `right`: it means what the prompt means."""

    prompt: Words
    heard: Heard
    right: bool

    @property
    def words(self) -> Words:
        return tuple(word.text for word in self.heard.words)


def take_of(prompt: Words, raw: Frames, cleaner: ClipCleaner, name: str) -> Take:
    """Cut and cleaned as in a session: `cleaner` runs on from prompt to prompt.

    Raises VoicelogError, with the `name` of the recording, where there is no speech in it.
    """
    clips = list(cut([raw]))
    if not clips:
        raise VoicelogError(f"{name}: no speech in it; say “{' '.join(prompt)}” closer to the microphone")
    speech = raw[round(clips[0].start_s * SAMPLE_RATE) : round(clips[-1].end_s * SAMPLE_RATE)]
    clean = cleaner.clean(speech)
    return Take(prompt, clean, views_of(clean, speech if cleaner.changes_sound else None))


def hear(takes: Iterable[Take], recogniser: Recogniser, grammar: Grammar) -> Iterator[Result]:
    """The takes in order, as `recogniser` hears them."""
    recogniser.listen_for(grammar.network)
    for take in takes:
        heard = recogniser.hear(take.views)
        meant = grammar.understand(take.prompt)
        understood = grammar.understand(tuple(word.text for word in heard.words))
        yield Result(take.prompt, heard, understood == meant)
