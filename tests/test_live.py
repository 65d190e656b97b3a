"""Whose turn it is, when an utterance is over, what is said without being asked, what happens when writing fails."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from live_parts import VOICE, Told, quiet, speech
from rich.console import Console

from voicelog.audio import cut, make_stage, read_sound
from voicelog.audio.level import is_clipped, is_faint
from voicelog.bench.noises import shaped
from voicelog.config import Config
from voicelog.hearing.noise import is_drowned
from voicelog.ledger import Ledger, fold
from voicelog.live import FileSound, LiveSettings, Mouth, Reminders, View
from voicelog.live.cleaner import GrowingCleaner
from voicelog.live.conversation import CUTTING
from voicelog.live.keys import presses
from voicelog.live.mouth import parts_of
from voicelog.live.patience import LOOK_S, closing_silence_s
from voicelog.live.screen import page
from voicelog.live.sound import Overrun
from voicelog.session import Reply, expects
from voicelog.sitting import DROWNED, FAINT
from voicelog.values import SAMPLE_RATE, Verdict
from voicelog.wiring import open_grammars

SESSION = Path(__file__).parents[1] / "audio_fixtures" / "session.flac"


def bands(ledger: Ledger) -> list[int | None]:
    return [call.call.band for call in fold(ledger.events()).calls]


def test_a_call_is_written_and_read_back_from_the_record() -> None:
    told = Told(["band four male foam yes"], FileSound([quiet(1), speech(), quiet(1)])).run()
    assert told.said == ["+ four, male, foam yes"]
    ((at_s, sound),) = told.sound.replies
    assert 2.2 + 0.3 <= at_s <= 2.2 + 0.45
    assert len(sound) > SAMPLE_RATE


@pytest.mark.parametrize(
    ("words", "expected_s"),
    [
        ("band four male foam yes", 0.3),
        ("band four", 0.7),
        ("band four two", 0.7),
        ("band four foam yes", 0.5),
        ("hen", 0.5),
        ("how many left", 0.3),
        ("finish session", 0.3),
        ("band four male to pen six", 0.7),
        ("", 0.7),
    ],
)
def test_how_long_silence_is_waited_for(words: str, expected_s: float) -> None:
    grammars = open_grammars(Config())
    grammar = grammars.compile("call", tuple(range(1, 300)))
    split = words.split()
    understood = grammar.understand(tuple(split))
    assert closing_silence_s(understood, split, grammar.network, grammars.number_words) == expected_s


def test_yes_closes_at_once_and_a_band_alone_last() -> None:
    told = Told(
        ["band four male", "band four female", "yes", "band five"],
        FileSound([np.concatenate([quiet(0.5), speech(), quiet(0.5)])] * 4, patience_s=3),
    ).run()
    assert told.timings == pytest.approx([0.3, 0.3, 0.3, 0.7], abs=0.03)
    assert told.said[1].startswith("? ") and told.said[2] == "+ four, female"


def test_a_question_that_names_two_readings_is_answered_by_one_of_them(tmp_path: Path) -> None:
    piece = np.concatenate([quiet(0.5), speech(), quiet(0.5)])
    texts = ["band four male | band four female", "female", "band five male | band nine male", "nine", "band six male"]
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        told = Told(texts, FileSound([piece] * 5, patience_s=4), ledger).run()
        calls = [(call.call.band, call.call.sex) for call in fold(ledger.events()).calls]
    assert [line for line in told.said if line[0] == "?"] == ["? four: male, or female?", "? band five, or nine?"]
    assert calls == [(4, "female"), (9, "male"), (6, "male")]


def test_the_gain_of_a_profile_is_added_before_anything_listens() -> None:
    """A voice at -68 dB that the cutter does not find, found with 35 dB more."""
    stream = [quiet(1), speech(gain=0.003), quiet(2)]
    assert Told(["band four male"], FileSound(stream)).run().said == []
    told = Told(["band four male"], FileSound(stream), settings=LiveSettings(gain_db=35.0)).run()
    assert told.said == ["+ four, male"]


def test_a_pause_in_a_call_does_not_cut_it() -> None:
    """After 0.4 s of silence the band alone is heard, and dropped when the handler speaks on."""
    told = Told(["band four", "band four male"], FileSound([quiet(1), speech(0.8), quiet(0.4), speech(0.8)])).run()
    assert told.said == ["+ four, male"]
    assert len(told.recogniser.lengths) == 2


def test_a_look_is_broken_off_when_the_handler_speaks_on() -> None:
    """Hearing takes as long as the sound that waits meanwhile: before it is done, the call goes on."""
    sound = FileSound([quiet(1), speech(0.8), quiet(0.16), speech(0.8)])
    told = Told(["band four male"], sound)
    told.conversation._sound.behind = lambda: told.recogniser.begun > 0 and sound.now() < 2.4  # type: ignore[method-assign]
    told.run()
    assert told.said == ["+ four, male"]
    assert (told.recogniser.begun, len(told.recogniser.lengths)) == (2, 1)
    assert told.recogniser.lengths[0] > 1.7


def test_a_slow_look_does_not_join_two_calls() -> None:
    """Sound that waits is heard up to where the first call may be over, and no further before it was looked at."""
    sound = FileSound([quiet(1), speech(0.8), quiet(0.34), speech(0.8), quiet(2)])
    told = Told(["band four male", "band five female"], sound)
    told.conversation._sound.behind = lambda: sound.now() < 3.5  # type: ignore[method-assign]
    told.run()
    assert told.said == ["+ four, male", "+ five, female"]
    assert told.recogniser.begun == 2


def test_what_the_speaker_says_is_not_heard_with_a_loudspeaker() -> None:
    """The reply comes back at -10 dB; it is speech, and longer than any call."""
    piece = np.concatenate([quiet(0.5), speech(), quiet(0.5)])
    told = Told(
        ["band four male foam yes gland no", "band five female"],
        FileSound([quiet(3), piece, piece], patience_s=4, leak=10 ** (-10 / 20)),
    ).run("pen three, twenty birds")
    assert [line for line in told.said if line[0] in "+?-"] == ["+ four, male, foam yes, gland no", "+ five, female"]


def test_without_half_duplex_the_same_echo_is_heard() -> None:
    """That the test above could fail."""
    piece = np.concatenate([quiet(0.5), speech(), quiet(0.5)])
    told = Told(
        ["band four male foam yes gland no", "band five female"],
        FileSound([quiet(3), piece, piece], patience_s=4, leak=10 ** (-10 / 20)),
        settings=LiveSettings(headset=True),
    ).run("pen three, twenty birds")
    assert len([line for line in told.said if line[0] in "+?-"]) > 2


def test_a_call_over_the_readback_stops_it_with_a_headset() -> None:
    stream = np.concatenate([quiet(1), speech(), quiet(0.6), speech(), quiet(1)])
    told = Told(
        ["band four male foam yes gland no", "band five male"], FileSound([stream]), settings=LiveSettings(headset=True)
    ).run()
    assert told.said == ["+ four, male, foam yes, gland no", "+ five, male"]
    (first, long), (second, _) = told.sound.replies
    assert second < first + len(long) / SAMPLE_RATE + 1.2 + 0.5


def test_a_call_that_began_under_the_reply_is_asked_about() -> None:
    """Its start was not heard: "band one two male" could be left as "two male"."""
    stream = np.concatenate([quiet(1), speech(), quiet(0.5), speech(3.5), quiet(1)])
    told = Told(["band four male", "band five male"], FileSound([stream])).run()
    assert told.said[0] == "+ four, male"
    assert told.said[1].startswith("? ")


def test_no_reply_begins_while_the_handler_speaks() -> None:
    """The second call begins before the reply to the first can; both are answered after it."""
    sound = FileSound([quiet(1), speech(1.2), quiet(0.34), speech(2.0), quiet(2)])
    told = Told(["band four male", "band five male"], sound)
    told.conversation._sound.behind = lambda: sound.now() < 2.8  # type: ignore[method-assign]
    told.run()
    assert told.said == ["+ four, male", "+ five, male"]
    ((at_s, _),) = sound.replies
    assert at_s > 1 + 1.2 + 0.34 + 2.0


def test_a_long_silence_and_a_bird_half_done_are_told(tmp_path: Path) -> None:
    reminders = Reminders(silence_s=30)
    told = Told(["band four"], FileSound([quiet(1), speech(), quiet(100)]), settings=LiveSettings(reminders=reminders))
    told.run()
    assert told.said == [
        "+ four",
        "  four has no sex yet",
        "  still listening, twenty left",
        "  still listening, twenty left",
    ]


def test_every_reminder_can_be_turned_off() -> None:
    off = LiveSettings(reminders=Reminders(frozenset(), 10))
    told = Told(["band four"], FileSound([quiet(1), speech(gain=40), quiet(100)]), settings=off).run()
    assert told.said == ["+ four"]


def test_sound_too_loud_or_too_faint_is_told() -> None:
    assert is_clipped(speech(gain=40)) and not is_clipped(speech())
    assert is_faint(speech(gain=0.004)) and not is_faint(speech())
    told = Told(["band four male"], FileSound([quiet(1), speech(gain=40), quiet(2)])).run()
    assert told.said == ["+ four, male", "  too loud"]


def test_a_call_too_faint_to_be_sure_of_is_asked_about_but_not_an_answer() -> None:
    sitting = Told(["band four male", "yes"], FileSound([])).sitting
    faint = speech(gain=0.004)
    asked = sitting.hear(faint)
    assert (asked.outcome.verdict, asked.outcome.reason) == (Verdict.ASK, FAINT)
    assert sitting.hear(faint).outcome.verdict is Verdict.ACCEPT


def test_a_call_in_noise_nearly_as_loud_is_asked_about_unless_heard_very_surely() -> None:
    noise = np.random.default_rng(1).normal(0, 1, 24000)
    clear = np.concatenate([quiet(0.15), speech(), quiet(0.15)])
    loud = (clear + noise[: len(clear)] * np.sqrt(np.mean(speech().astype(float) ** 2)) / 1.8).astype(np.int16)
    assert is_drowned(loud) and not is_drowned(clear)
    for certainty, sound, reason in (
        (0.98, clear, "heard surely"),
        (0.98, loud, DROWNED),
        (0.99, loud, "heard surely"),
    ):
        told = Told(["band four male"], FileSound([]))
        told.recogniser.certainty = certainty
        assert told.sitting.hear(clear, raw=sound).outcome.reason == reason


def test_while_paused_nothing_is_kept_and_resume_goes_on(tmp_path: Path) -> None:
    piece = np.concatenate([quiet(0.5), speech(), quiet(0.5)])
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        told = Told(
            ["pause listening", "band four male", "resume listening", "band five male"],
            FileSound([piece] * 4, patience_s=2),
            ledger,
        ).run()
        assert bands(ledger) == [5]
        assert len(list((tmp_path / "yard-sounds").iterdir())) == 1
    assert not any("four" in line for line in told.lines)


def test_a_key_pauses_in_the_middle_of_a_call_and_goes_on(tmp_path: Path) -> None:
    sound = FileSound([quiet(1), speech(2), quiet(7), speech(), quiet(1)])
    pressed = iter([(1.5, "pause"), (5.0, "pause"), (1e9, "")])
    following = [next(pressed)]

    def keys() -> list[str]:
        at_s, press = following[0]
        if sound.now() < at_s:
            return []
        following[0] = next(pressed)
        return [press]

    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        told = Told(["band five male"], sound, ledger)
        told.conversation.run("", keys)  # type: ignore[arg-type]
        kinds = [event.fact.kind for event in ledger.events()]
    assert kinds == ["session_started", "paused", "resumed", "call"]
    assert told.said[0] == "+ paused"


@pytest.mark.parametrize(
    ("typed", "means"),
    [
        (b"", []),
        (b" ", ["pause"]),
        (b"\x1b[6~", ["pause"]),
        (b"\r", ["pause"]),
        (b"q", ["leave"]),
        (b"\x04", ["leave"]),
    ],
)
def test_keys(typed: bytes, means: list[str]) -> None:
    assert presses(typed) == means


def test_what_cannot_be_written_is_said_and_the_session_stays_as_it_was(tmp_path: Path) -> None:
    """The sounds' folder is a file: SQLite could write, the sound could not."""
    piece = np.concatenate([quiet(0.5), speech(), quiet(0.5)])
    (tmp_path / "yard-sounds").write_text("in the way")
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        told = Told(["band four male"], FileSound([piece]), ledger).run()
        assert bands(ledger) == [] and told.sitting.state.calls == ()
    assert told.sound.replies and told.said[0].startswith("- ")


def test_a_sound_is_not_left_without_its_event(tmp_path: Path) -> None:
    with Ledger.open(tmp_path / "yard.ledger") as ledger:
        told = Told(["band four male"], FileSound([quiet(1), speech(), quiet(1)]), ledger)
        ledger.db.conn.execute("PRAGMA query_only=ON")
        told.run()
        ledger.db.conn.execute("PRAGMA query_only=OFF")
        assert bands(ledger) == []
    assert list((tmp_path / "yard-sounds").iterdir()) == []


def test_a_voice_is_kept_on_disk_and_speaks_the_same(tmp_path: Path) -> None:
    replies = [Reply("four two, male", "accept", "readback")]
    first = Mouth(VOICE, tmp_path).sound_of(replies)

    class Silent:
        name, rate = VOICE.name, VOICE.rate

        def say(self, text: str) -> np.ndarray:
            raise AssertionError(f"{text} was synthesized again")

    assert np.array_equal(Mouth(Silent(), tmp_path).sound_of(replies), first)
    softer = Mouth(VOICE, tmp_path, volume_db=-6).sound_of(replies)
    assert np.abs(softer).max() < 0.6 * np.abs(first).max()


def test_a_reply_is_cut_into_parts_that_come_again() -> None:
    assert parts_of("one seven was female at three weeks; male now?") == [
        "one seven was female at three weeks",
        "male now?",
    ]
    assert parts_of("") == []


def test_a_cache_that_cannot_be_written_costs_nothing(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("")
    sound = Mouth(VOICE, in_the_way).sound_of([Reply("male", None, "readback")])
    assert len(sound)


def test_the_large_screen_shows_what_is_left_and_what_was_said() -> None:
    console = Console(width=100, file=open(os.devnull, "w"), record=True)  # noqa: SIM115, PTH123
    view = View("listening", "band four two male", "four two", "accept", "eleven left", "", -20.0)
    console.print(page(view, 100))
    shown = console.export_text()
    assert "heard: band four two male" in shown and "█" in shown
    assert len(shown.splitlines()) >= 12


@pytest.mark.parametrize("headset", [False, True])
@pytest.mark.parametrize("lost_s", [0.45, 1.2])
def test_sound_that_was_lost_is_counted_and_no_call_with_a_hole_is_taken(headset: bool, lost_s: float) -> None:
    """What is left of "band five male" is "male", and would be the bird's that is in hand."""
    sound = FileSound([quiet(0.5), speech(), quiet(4), speech(), quiet(1)])
    told = Told(["band five male"], sound, settings=LiveSettings(headset=headset))
    waiting, following = sound.wait, [lost_s]

    def wait() -> object:
        if not following or sound.now() < following[0]:
            return waiting()
        return Overrun(following.pop())

    sound.wait = wait  # type: ignore[method-assign, assignment]
    told.run()
    assert told.conversation.overruns == 1
    assert told.said[0] == "! sound was lost (1)" and told.said[-1] == "+ five, male"
    assert set(told.said[1:-1]) == {"  sound was lost, check the last call"}


def test_what_hearing_needs_is_made_ready_while_replies_are_played() -> None:
    """Before the first call and after a question, and never while a note is kept."""
    told = Told(
        ["band four male", "band four hen", "yes", "note", "finish session"],
        FileSound([quiet(3), *[np.concatenate([quiet(0.5), speech(), quiet(0.5)])] * 6], patience_s=3),
    )
    ready = list[str]()
    prepare = told.sitting.prepare
    told.sitting.prepare = lambda: (ready.append(expects(told.sitting.state)), prepare())  # type: ignore[assignment,func-returns-value]
    told.run("pen three")
    assert ready == ["call", "call", "answer", "call", "call"]


def test_a_look_at_an_utterance_leaves_the_noise_stage_as_it_was() -> None:
    """Each utterance comes out as from a stage that nobody looked into: what is otherwise is 20 dB weaker, at least."""
    recorded = np.concatenate([*read_sound(SESSION)])[: 30 * SAMPLE_RATE].astype(np.float64)
    noise = 0.02 * 32768 * shaped(len(recorded), np.random.default_rng(4), tilt=1.0)
    clips = cut([(recorded + noise).astype(np.int16)], CUTTING)
    said = [clip.frames for clip in clips if len(clip.frames) > SAMPLE_RATE]
    assert len(said) > 4

    stage = make_stage("deepfilter")
    warm_up = np.resize(said[0], round(2.1 * SAMPLE_RATE))
    undisturbed = [stage.feed(frames) for frames in (warm_up, *said)]
    lengths = np.cumsum([len(warm_up), *(len(frames) for frames in said)])
    undisturbed = np.split(np.concatenate([*undisturbed, stage.flush()]), lengths)[1:]

    cleaner = GrowingCleaner(make_stage("deepfilter"))
    for at, frames in enumerate(said):
        looked_at = frames[: len(frames) - round((CUTTING.after_s - LOOK_S) * SAMPLE_RATE)]
        for grown in range(1600, len(looked_at), 1600):
            cleaner.grow(float(at), looked_at[:grown])
        ours, as_it_was = cleaner.whole(float(at), looked_at), undisturbed[at][: len(looked_at)].astype(np.float64)
        assert len(ours) == len(looked_at)
        assert np.mean((ours - as_it_was) ** 2) < 0.01 * np.mean(as_it_was**2), at
