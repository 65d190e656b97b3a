"""The dialogue's rules, as scripts: what is said, the verdict, and what is said back.

A line says an utterance in short ("42 male foam yes 410g"), then, where they
matter, its certainty ("~0.5"), its runner-up ("| 52 male") and a doubt ("? cut short"). The replies to
one line are joined with " / ", reminders left out. Certainties: 0.95 unless said; accept from 0.8, ask
from 0.3.
"""

from __future__ import annotations

from typing import get_args

import pytest

from voicelog.grammar.utterance import Answer, CallSaid, Command, CommandName, NotUnderstood, Utterance
from voicelog.ledger.events import CallMade, CallVoided, Fact, NoteKept, SessionFinished
from voicelog.session import Known, Outcome, Policy, Settings, State, Turn, expects, left, resume, start, step
from voicelog.values import Call, Verdict, VoicelogError

Script = list[tuple[str, str, str]]

SEXES = ("male", "female", "unsure")
CONDITIONS = ("fine", "injured", "sick", "dead")
ROSTER = (3, 7, 12, 30, 42, 52, 107)
KNOWN = {
    3: Known("female", "at six weeks"),
    7: Known("male", "on the first of May"),
    12: Known("unsure", "at six weeks"),
}
SETTINGS = Settings(policy=Policy(accept_from=0.8, ask_from=0.3))


def event_id(number: int) -> str:
    return f"00000000-0000-7000-8000-{number:012x}"


def utterance(text: str) -> Utterance:
    if text in ("yes", "no"):
        return Answer(yes=text == "yes")
    if text == "cough":
        return NotUnderstood(why="no words of the grammar")
    if text in get_args(CommandName):
        return Command.model_validate({"name": text})
    slots: dict[str, object] = {}
    words = iter(text.split())
    for word in words:
        if word.isdecimal():
            slots["band"] = int(word)
        elif word.endswith("g") and word[:-1].replace(".", "").isdecimal():
            slots["weight_g"] = float(word[:-1])
        elif word in ("foam", "gland", "breast", "pen"):
            slots[word] = next(words)
        else:
            slots["sex" if word in SEXES else "condition" if word in CONDITIONS else "fate"] = word
    return CallSaid(call=Call.model_validate(slots))


class Talk:
    """A session that is talked to line by line, with all its facts."""

    def __init__(self, state: State) -> None:
        self.state = state
        self.facts: list[tuple[str, Fact]] = []
        self.turns = 0
        self.either = 0.0
        self.by_two = False

    def say(self, line: str) -> Outcome:
        self.turns += 1
        line, _, doubt = line.partition(" ? ")
        line, _, rival = line.partition(" | ")
        words, _, certainty = line.partition(" ~")
        turn = Turn(
            id=event_id(self.turns),
            utterance=utterance(words),
            words=words,
            certainty=float(certainty or 0.95),
            rival=utterance(rival) if rival else None,
            doubts=(doubt,) if doubt else (),
            either=self.either,
            by_two=self.by_two,
        )
        outcome = step(self.state, turn)
        self.state = outcome.state
        self.facts.extend(outcome.facts)
        return outcome

    def say_all(self, *lines: str) -> None:
        for line in lines:
            self.say(line)

    def calls(self) -> list[Call]:
        return [entry.call for entry in self.state.calls]


@pytest.fixture
def talk() -> Talk:
    return Talk(start(ROSTER, KNOWN, SETTINGS))


def spoken(outcome: Outcome) -> str:
    return " / ".join(reply.text for reply in outcome.replies if reply.kind != "reminder")


def reminders(outcome: Outcome) -> list[str]:
    return [reply.text for reply in outcome.replies if reply.kind == "reminder"]


SCRIPTS: dict[str, Script] = {
    "a whole call": [("42 male foam yes", "accept", "four two, male, foam yes")],
    "a weight": [("107 410.07g", "accept", "one zero seven, four one zero point one grams")],
    "a call in parts": [
        ("107", "accept", "one zero seven"),
        ("female", "accept", "one zero seven, female"),
        ("410g", "accept", "one zero seven, four one zero grams"),
        ("keep pen 6", "accept", "one zero seven, keep, to pen six"),
    ],
    "a part without a bird": [("female", "reject", "which band")],
    "a call that says nothing": [("", "reject", "say again")],
    "a band that is not here": [("99 male", "reject", "no band nine nine here")],
    "noise": [("cough", "reject", "say again")],
    "hardly heard": [("42 male ~0.2", "reject", "say again")],
    "hardly heard and not here": [("99 male ~0.2", "reject", "say again")],
    # A band that was named but not written: parts that follow are not the bird's before.
    "a part after a band that is not here": [
        ("42 male", "accept", "four two, male"),
        ("99", "reject", "no band nine nine here"),
        ("foam yes", "reject", "which band"),
        ("42", "accept", "four two"),
        ("foam yes", "accept", "four two, foam yes"),
    ],
    "a part after another bird's call was refused": [
        ("30 male", "accept", "three zero, male"),
        ("42 ~0.5", "ask", "four two? yes or no"),
        ("no", "accept", "not written"),
        ("foam yes", "reject", "which band"),
    ],
    "a part after this bird's call was refused": [
        ("30 male", "accept", "three zero, male"),
        ("foam yes ~0.5", "ask", "three zero, foam yes? yes or no"),
        ("no", "accept", "not written"),
        ("foam no", "accept", "three zero, foam no"),
    ],
    "a part after a strike, when another bird had been named": [
        ("30 male", "accept", "three zero, male"),
        ("99", "reject", "no band nine nine here"),
        ("strike", "accept", "struck: three zero, male"),
        ("female", "reject", "which band"),
    ],
    "noise does not change the bird in hand": [
        ("30", "accept", "three zero"),
        ("cough", "reject", "say again"),
        ("42 male ~0.1", "reject", "say again"),
        ("male", "accept", "three zero, male"),
    ],
    # Asking.
    "fairly heard": [
        ("42 male foam yes ~0.5", "ask", "four two, male, foam yes? yes or no"),
        ("yes", "accept", "four two, male, foam yes"),
    ],
    "fairly heard, with a live rival": [("42 male ~0.5 | 52 male", "ask", "band four two, or five two?")],
    "the reading that was heard, chosen": [
        ("42 male foam yes ~0.5 | 42 female foam yes", "ask", "four two: male, or female?"),
        ("male", "accept", "four two, male, foam yes"),
    ],
    "the other reading, chosen": [
        ("42 male foam yes ~0.5 | 42 female foam yes", "ask", "four two: male, or female?"),
        ("female", "accept", "four two, female, foam yes"),
    ],
    "the other band, chosen": [
        ("42 male ~0.5 | 52 male", "ask", "band four two, or five two?"),
        ("52", "accept", "five two, male"),
    ],
    "a whole call instead of a choice": [
        ("42 male ~0.5 | 42 female", "ask", "four two: male, or female?"),
        ("42 male foam yes", "accept", "four two, male, foam yes"),
    ],
    "the other reading is a weight": [
        (
            "107 male 383g ~0.7 | 107 male 333g",
            "ask",
            "one zero seven: three eight three grams, or three three three grams?",
        ),
        ("no", "accept", "not written"),
    ],
    "yes chooses neither": [
        ("42 male ~0.5 | 42 female", "ask", "four two: male, or female?"),
        ("yes", "ask", "four two: male, or female?"),
        ("no", "accept", "not written"),
    ],
    "a choice that is not sure is asked again": [
        ("42 male ~0.5 | 42 female", "ask", "four two: male, or female?"),
        ("female ~0.5", "ask", "four two: male, or female?"),
        ("cough", "reject", "four two: male, or female?"),
        ("unsure", "ask", "four two: male, or female?"),
        ("female", "accept", "four two, female"),
    ],
    "a choice that contradicts is asked about": [
        ("3 female ~0.5 | 3 male", "ask", "three: female, or male?"),
        ("male", "ask", "three was female at six weeks; male now?"),
        ("yes", "accept", "three, male"),
    ],
    "two slots in doubt are no choice": [
        ("42 male foam yes ~0.5 | 42 female foam no", "ask", "four two, male, foam yes? yes or no"),
    ],
    "a rival that is not here": [("42 male ~0.5 | 99 male", "ask", "four two, male? yes or no")],
    "a sex where the other reading is a condition": [
        ("42 unsure foam yes ~0.6 | 42 injured foam yes", "ask", "four two: unsure, or injured?"),
        ("unsure", "accept", "four two, unsure, foam yes"),
    ],
    "injured without a sex": [
        ("42 injured", "ask", "four two injured; right?"),
        ("yes", "accept", "four two, injured"),
        ("107 male", "accept", "one zero seven, male"),
        ("injured", "accept", "one zero seven, injured"),
        ("30 male injured", "accept", "three zero, male, injured"),
        ("3 fine", "accept", "three, fine"),
    ],
    "a sex and a condition where the other reading is another condition": [
        ("42 unsure injured ~0.6 | 42 dead", "ask", "four two, unsure, injured? yes or no"),
        ("no", "accept", "not written"),
    ],
    "to sell or to cull, which sound alike, is asked for yes or no": [
        ("42 male sell ~0.7 | 42 male cull ? taken for it", "ask", "four two, male, sell? yes or no"),
        ("yes", "accept", "four two, male, sell"),
    ],
    "a doubt about one slot is not passed over by a question about another": [
        ("42 male sell ~0.7 | 42 female sell ? taken for it", "ask", "four two, male, sell? yes or no"),
    ],
    "injured in a correction of a bird whose sex was called": [
        ("42 female", "accept", "four two, female"),
        ("correction", "accept", "correct four two"),
        ("injured", "accept", "corrected: four two, female, injured"),
    ],
    "a rival for the same band": [("42 male ~0.5 | 42 female", "ask", "four two: male, or female?")],
    "a rival that is no call": [("42 male ~0.5 | no", "ask", "four two, male? yes or no")],
    "a rival of a call surely heard": [("42 male | 52 male", "accept", "four two, male")],
    "a doubt": [("42 male ? fifteen or fifty", "ask", "four two, male? yes or no")],
    "a doubt about what was hardly heard": [("42 male ~0.2 ? cut short", "reject", "say again")],
    "another sex today": [
        ("42 female", "accept", "four two, female"),
        ("male", "ask", "four two was female today; male now?"),
        ("yes", "accept", "four two, male"),
    ],
    "another sex than known": [
        ("3 male", "ask", "three was female at six weeks; male now?"),
        ("yes", "accept", "three, male"),
        ("foam yes", "accept", "three, foam yes"),
    ],
    "the same sex as known": [("7 male", "accept", "seven, male")],
    "unsure today, known before": [("3 unsure", "accept", "three, unsure")],
    "known unsure": [("12 male", "accept", "one two, male")],
    "unsure, then a sex": [("42 unsure", "accept", "four two, unsure"), ("male", "accept", "four two, male")],
    "unsure, then a sex that is not the known one": [
        ("3 unsure", "accept", "three, unsure"),
        ("male", "ask", "three was female at six weeks; male now?"),
    ],
    "a sex, then unsure": [
        ("42 male", "accept", "four two, male"),
        ("unsure", "ask", "four two was male today; unsure now?"),
    ],
    "done already": [
        ("42 male", "accept", "four two, male"),
        ("42 male", "ask", "four two is done; again?"),
    ],
    "done already, the sex said for the bird in hand": [
        ("42 male", "accept", "four two, male"),
        ("male", "ask", "four two is done; again?"),
    ],
    "done already as unsure": [
        ("42 unsure", "accept", "four two, unsure"),
        ("42 male", "ask", "four two is done; again?"),
    ],
    "dead already": [
        ("42 dead", "ask", "four two dead; right?"),
        ("yes", "accept", "four two, dead"),
        ("42 male", "ask", "four two is done; again?"),
    ],
    "to be culled, with no sex beside it": [
        ("42 cull", "ask", "cull four two; right?"),
        ("yes", "accept", "four two, cull"),
        ("107 female cull", "accept", "one zero seven, female, cull"),
        ("30 male", "accept", "three zero, male"),
        ("cull", "ask", "cull three zero; right?"),
    ],
    "to be culled, in a correction that leaves the sex as it was": [
        ("42 female", "accept", "four two, female"),
        ("correction", "accept", "correct four two"),
        ("cull", "ask", "cull four two; right?"),
    ],
    "dead, with no sex beside it": [
        ("42 dead 410g", "ask", "four two dead; right?"),
        ("yes", "accept", "four two, four one zero grams, dead"),
        ("107 female dead 300g", "accept", "one zero seven, female, three zero zero grams, dead"),
    ],
    "more about a bird that is done": [
        ("42 male", "accept", "four two, male"),
        ("30", "accept", "three zero"),
        ("42 foam yes", "accept", "four two, foam yes"),
        ("410g", "accept", "four two, four one zero grams"),
    ],
    "another value than today": [
        ("42 foam no 410g pen 6 fine", "accept", "four two, foam no, four one zero grams, fine, to pen six"),
        ("foam yes", "ask", "four two had foam no today; foam yes now?"),
        ("no", "accept", "not written"),
        ("420g", "ask", "four two was four one zero grams today; four two zero grams now?"),
        ("no", "accept", "not written"),
        ("sick", "ask", "four two was fine today; sick now?"),
        ("no", "accept", "not written"),
        ("pen 7", "ask", "four two was to pen six today; to pen seven now?"),
    ],
    "the same value as today": [
        ("42 foam no", "accept", "four two, foam no"),
        ("foam no", "accept", "four two, foam no"),
    ],
    "too heavy": [("42 900g", "ask", "four two at nine zero zero grams is heavy; right?")],
    "too light": [("42 19.9g", "ask", "four two at one nine point nine grams is light; right?")],
    "just within": [
        ("42 20g", "accept", "four two, two zero grams"),
        ("7 600g", "accept", "seven, six zero zero grams"),
    ],
    "two risks": [
        (
            "3 male 900g",
            "ask",
            "three was female at six weeks; three at nine zero zero grams is heavy; "
            "three, male, nine zero zero grams? yes or no",
        ),
    ],
    "a risk, fairly heard": [("3 male ~0.5", "ask", "three was female at six weeks; three, male? yes or no")],
    # Answering.
    "no": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("no", "accept", "not written"),
        ("42 female", "accept", "four two, female"),
    ],
    "a yes that is not sure": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("yes ~0.7", "ask", "four two, male? yes or no"),
        ("yes ? cut short", "ask", "four two, male? yes or no"),
        ("yes", "accept", "four two, male"),
    ],
    "a no need not be sure": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("no ~0.3", "accept", "not written"),
    ],
    "a no hardly heard": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("no ~0.2", "ask", "four two, male? yes or no"),
    ],
    "noise for an answer": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("cough", "reject", "yes or no"),
        ("foam yes", "reject", "yes or no"),
        ("42 female ~0.2", "reject", "yes or no"),
        ("yes", "accept", "four two, male"),
    ],
    "an answer to nothing": [
        ("yes", "reject", "nothing asked"),
        ("no", "reject", "nothing asked"),
        ("yes ~0.5", "reject", "say again"),
    ],
    "another bird instead of an answer": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("30 male", "accept", "four two not written / three zero, male"),
        ("yes", "reject", "nothing asked"),
    ],
    "the same bird instead of an answer": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("42 female", "accept", "four two, female"),
    ],
    "a band that is not here instead of an answer": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("99 male", "reject", "four two not written / no band nine nine here"),
    ],
    "session words while a question waits": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("repeat", "accept", "four two, male? yes or no"),
        ("how many", "accept", "seven left / four two, male? yes or no"),
        ("strike", "accept", "not written"),
        ("yes", "reject", "nothing asked"),
    ],
    "a question left for a pause": [
        ("42 male ~0.5", "ask", "four two, male? yes or no"),
        ("pause", "accept", "four two not written / paused"),
        ("resume", "accept", "listening, seven left"),
        ("yes", "reject", "nothing asked"),
    ],
    # Taking back.
    "strike": [
        ("42 male", "accept", "four two, male"),
        ("30 female", "accept", "three zero, female"),
        ("strike", "accept", "struck: three zero, female"),
        ("male", "accept", "three zero, male"),
        ("strike", "accept", "struck: three zero, male"),
        ("strike", "accept", "struck: four two, male"),
        ("strike", "reject", "nothing to strike"),
    ],
    "a struck band alone was a wrong band": [
        ("42", "accept", "four two"),
        ("strike", "accept", "struck: four two"),
        ("male", "reject", "which band"),
    ],
    "strike must be heard surely": [
        ("42 male", "accept", "four two, male"),
        ("strike ~0.7", "reject", "say again"),
    ],
    "correction by a part": [
        ("42 male foam yes", "accept", "four two, male, foam yes"),
        ("correction", "accept", "correct four two"),
        ("female", "accept", "corrected: four two, female, foam yes"),
        ("foam yes", "accept", "four two, foam yes"),
    ],
    "correction by a whole call": [
        ("42 male foam yes", "accept", "four two, male, foam yes"),
        ("correction", "accept", "correct four two"),
        ("42 female", "accept", "corrected: four two, female"),
    ],
    "correction of the band": [
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("52 male", "accept", "corrected: five two, male, not four two"),
        ("foam yes", "accept", "five two, foam yes"),
    ],
    "correction and nothing to correct": [("correction", "reject", "nothing to correct")],
    "correction called off": [
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("no", "accept", "four two, male stays"),
        ("correction", "accept", "correct four two"),
        ("correction", "accept", "four two, male stays"),
        ("30 female", "accept", "three zero, female"),
    ],
    "correction through noise": [
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("cough", "reject", "say again"),
        ("99 male", "reject", "no band nine nine here"),
        ("yes", "reject", "nothing asked"),
        ("how many", "accept", "six left"),
        ("female", "accept", "corrected: four two, female"),
    ],
    "a correction that is risky": [
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("3 male", "ask", "three was female at six weeks; male now?"),
        ("no", "accept", "not written, correct four two"),
        ("42 female ~0.5", "ask", "four two, female? yes or no"),
        ("yes", "accept", "corrected: four two, female"),
    ],
    "a correction is not asked about what stays": [
        (
            "3 male 900g",
            "ask",
            "three was female at six weeks; three at nine zero zero grams is heavy; "
            "three, male, nine zero zero grams? yes or no",
        ),
        ("yes", "accept", "three, male, nine zero zero grams"),
        ("correction", "accept", "correct three"),
        ("foam yes", "accept", "corrected: three, male, foam yes, nine zero zero grams"),
        ("correction", "accept", "correct three"),
        ("800g", "ask", "three at eight zero zero grams is heavy; right?"),
    ],
    "a correction against an earlier part": [
        ("42 male", "accept", "four two, male"),
        ("foam yes", "accept", "four two, foam yes"),
        ("correction", "accept", "correct four two"),
        ("42 male foam no", "accept", "corrected: four two, male, foam no"),
        ("correction", "accept", "correct four two"),
        ("female", "ask", "four two was male today; female now?"),
    ],
    "a correction that says again what was confirmed": [
        ("3 male", "ask", "three was female at six weeks; male now?"),
        ("yes", "accept", "three, male"),
        ("foam yes", "accept", "three, foam yes"),
        ("correction", "accept", "correct three"),
        ("3 male foam no", "accept", "corrected: three, male, foam no"),
    ],
    "a correction onto a bird that is done": [
        ("52 male", "accept", "five two, male"),
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("52 male", "ask", "five two is done; again?"),
    ],
    "a struck correction": [
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("52 male", "accept", "corrected: five two, male, not four two"),
        ("strike", "accept", "struck: five two, male; four two, male counts again"),
        ("foam yes", "reject", "which band"),
        ("strike", "accept", "struck: four two, male"),
        ("strike", "reject", "nothing to strike"),
    ],
    "a correction of a correction, struck": [
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("female", "accept", "corrected: four two, female"),
        ("correction", "accept", "correct four two"),
        ("unsure", "accept", "corrected: four two, unsure"),
        ("strike", "accept", "struck: four two, unsure; four two, female counts again"),
        ("strike", "accept", "struck: four two, female; four two, male counts again"),
        ("strike", "accept", "struck: four two, male"),
        ("strike", "reject", "nothing to strike"),
    ],
    "strike instead of correcting": [
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("strike", "accept", "struck: four two, male"),
        ("female", "accept", "four two, female"),
    ],
    "a correction left for a note": [
        ("42 male", "accept", "four two, male"),
        ("correction", "accept", "correct four two"),
        ("note", "accept", "four two not corrected / note on four two"),
        ("cough", "accept", "note kept"),
        ("30 female", "accept", "three zero, female"),
    ],
    # Asking the program.
    "how many and who": [
        ("how many", "accept", "seven left"),
        ("42 male", "accept", "four two, male"),
        ("30", "accept", "three zero"),
        ("how many ~0.5", "accept", "six left"),
        ("who ? cut short", "accept", "left: three, seven, one two, three zero, five two, one zero seven"),
        ("how many ~0.2", "reject", "say again"),
    ],
    "repeat": [
        ("repeat", "reject", "nothing said yet"),
        ("42 male", "accept", "four two, male"),
        ("cough", "reject", "say again"),
        ("repeat", "accept", "four two, male"),
        ("repeat", "accept", "four two, male"),
        ("99", "reject", "no band nine nine here"),
        ("repeat", "accept", "no band nine nine here"),
    ],
    # Notes, pauses, the end.
    "a note, whatever it sounds like": [
        ("42 male", "accept", "four two, male"),
        ("note", "accept", "note on four two"),
        ("30 female", "accept", "note kept"),
        ("note", "accept", "note on four two"),
        ("cough ~0", "accept", "note kept"),
        ("foam yes", "accept", "four two, foam yes"),
    ],
    "a note with no bird in hand": [("note", "accept", "note on no bird"), ("cough", "accept", "note kept")],
    "a pause": [
        ("42 male", "accept", "four two, male"),
        ("pause", "accept", "paused"),
        ("30 female", "reject", ""),
        ("strike", "reject", ""),
        ("cough", "reject", ""),
        ("resume ~0.7", "reject", ""),
        ("resume", "accept", "listening, four two in hand, six left"),
        ("resume", "reject", "not paused"),
    ],
    "the end": [
        ("42 male", "accept", "four two, male"),
        ("30 unsure", "accept", "three zero, unsure"),
        ("7 female ~0.5", "ask", "seven was male on the first of May; seven, female? yes or no"),
        ("yes", "accept", "seven, female"),
        ("12 foam no", "accept", "one two, foam no"),
        ("107 dead", "ask", "one zero seven dead; right?"),
        ("yes", "accept", "one zero seven, dead"),
        ("finish ~0.7", "reject", "say again"),
        (
            "finish",
            "accept",
            "finished. four birds: one male, one female, one unsure, one dead. "
            "not seen: three, five two. no sex: one two.",
        ),
        ("42 female", "reject", ""),
        ("resume", "reject", ""),
    ],
}


@pytest.mark.parametrize("name", SCRIPTS)
def test_script(talk: Talk, name: str) -> None:
    heard = []
    for line, _, _ in SCRIPTS[name]:
        outcome = talk.say(line)
        heard.append((line, outcome.verdict.value, spoken(outcome)))
    assert heard == SCRIPTS[name]


def test_a_call_is_written_as_it_is_read_back(talk: Talk) -> None:
    outcome = talk.say("42 male foam yes 410.07g")
    call = Call(band=42, sex="male", foam="yes", weight_g=410.1)
    assert outcome.facts == ((event_id(1), CallMade(call=call)),)
    assert outcome.record == call
    assert [(reply.kind, reply.earcon) for reply in outcome.replies] == [("readback", "accept")]


def test_parts_are_written_with_their_band_and_what_was_said(talk: Talk) -> None:
    talk.say_all("42", "male", "foam yes")
    assert talk.calls() == [Call(band=42), Call(band=42, sex="male"), Call(band=42, foam="yes")]


def test_a_question_shows_what_yes_would_write_and_writes_nothing(talk: Talk) -> None:
    asked = talk.say("42 male ~0.5")
    assert asked.record == Call(band=42, sex="male")
    assert asked.facts == ()
    assert [(reply.kind, reply.earcon) for reply in asked.replies] == [("question", "ask")]
    again = talk.say("yes ~0.5")
    assert (again.record, again.facts, again.replies) == (asked.record, (), asked.replies)


def test_a_confirmed_call_keeps_the_id_of_what_was_asked_about(talk: Talk) -> None:
    talk.say_all("42 male ~0.5", "how many")
    outcome = talk.say("yes")
    confirmed = CallMade(call=Call(band=42, sex="male"), confirmed_by=event_id(3))
    assert outcome.facts == ((event_id(1), confirmed),)
    assert outcome.record == confirmed.call


def test_a_correction_supersedes_the_last_call(talk: Talk) -> None:
    talk.say_all("30 female", "42 male foam yes", "correction", "female")
    right = Call(band=42, sex="female", foam="yes")
    assert talk.facts[-1] == (event_id(4), CallMade(call=right, supersedes=event_id(2)))
    assert talk.calls() == [Call(band=30, sex="female"), right]


def test_a_correction_that_is_asked_about_supersedes_too(talk: Talk) -> None:
    talk.say_all("42 male", "correction", "female ~0.5", "yes")
    right = CallMade(call=Call(band=42, sex="female"), supersedes=event_id(1), confirmed_by=event_id(4))
    assert talk.facts[-1] == (event_id(3), right)


def test_strike_voids_the_last_call(talk: Talk) -> None:
    talk.say_all("30 female", "42 male", "strike")
    assert talk.facts[-1] == (event_id(3), CallVoided(target=event_id(2)))
    assert talk.calls() == [Call(band=30, sex="female")]


def test_a_note_is_kept_under_the_id_of_its_sound(talk: Talk) -> None:
    talk.say_all("42", "note", "cough")
    assert talk.facts[1:] == [(event_id(3), NoteKept(band=42))]
    talk.say_all("99 male", "note", "cough")
    assert talk.facts[2:] == [(event_id(6), NoteKept(band=None))]


def test_finishing_counts_birds_done_and_names_those_left(talk: Talk) -> None:
    talk.say_all("42 male", "107 dead", "yes", "12 foam no", "finish")
    assert talk.facts[-1] == (event_id(5), SessionFinished(seen=2, left=(3, 7, 12, 30, 52)))


def test_a_refusal_has_one_short_sound_and_writes_nothing(talk: Talk) -> None:
    for line in ("99 male", "cough", "male", "yes", "strike", "correction"):
        outcome = talk.say(line)
        assert [(reply.kind, reply.earcon) for reply in outcome.replies] == [("refusal", "reject")]
        assert (outcome.facts, outcome.record) == ((), None)


def test_reasons_are_told_in_plain_words(talk: Talk) -> None:
    assert talk.say("42 male ~0.5").reason == "certainty 0.50 is below 0.80"
    assert talk.say("3 male ? cut short").reason == "cut short; three was female at six weeks"
    assert talk.say("99 male").reason == "band 99 is not on the roster"
    assert talk.say("cough").reason == "no words of the grammar"
    assert talk.say("42 male").reason == "heard surely"


def test_what_to_listen_for_next(talk: Talk) -> None:
    expected = []
    for line in ("42", "male ~0.5", "yes", "note", "cough", "pause", "42", "resume", "finish", "42"):
        talk.say(line)
        expected.append(expects(talk.state))
    assert expected == (["call", "answer", "call", "note", "call", "paused", "paused", "call", "finished", "finished"])


def test_readback_in_full(talk: Talk) -> None:
    talk = Talk(start(ROSTER, settings=Settings(readback="full")))
    assert spoken(talk.say("42")) == "band four two"
    assert spoken(talk.say("male foam yes")) == "band four two, male, foam yes"


def test_readback_by_tones_still_speaks_questions_and_refusals() -> None:
    talk = Talk(start(ROSTER, settings=Settings(readback="tones")))
    assert [(reply.text, reply.earcon) for reply in talk.say("42 male").replies] == [("", "accept")]
    assert spoken(talk.say("repeat")) == "four two, male"
    assert spoken(talk.say("female")) == "four two was male today; female now?"
    assert spoken(talk.say("99")) == "four two not written / no band nine nine here"
    assert spoken(talk.say("strike")) == "struck: four two, male"


def test_the_expected_weight_is_a_setting() -> None:
    talk = Talk(start(ROSTER, settings=Settings(expected_weight_g=(150.0, 500.0))))
    assert talk.say("42 149.9g").verdict == "ask"
    assert talk.say("42 150g").verdict == "accept"


def test_how_many_remain_is_told_after_every_tenth_bird_at_five_and_at_none() -> None:
    talk = Talk(start(range(1, 31)))
    told = {band: reminders(talk.say(f"{band} female")) for band in range(1, 31)}
    assert {band: said for band, said in told.items() if said} == {
        10: ["twenty left"],
        20: ["ten left"],
        25: ["five left"],
        30: ["all done"],
    }


def test_a_reminder_counts_birds_not_calls() -> None:
    talk = Talk(start(range(1, 31)))
    for band in range(1, 10):
        talk.say_all(f"{band}", "female", "foam no")
    assert reminders(talk.say("10 foam no")) == []
    talk.say("dead")
    assert reminders(talk.say("yes")) == ["twenty left"]
    assert reminders(talk.say("210g")) == []


def test_a_reminder_comes_once_but_all_done_whenever_it_is_true_again() -> None:
    talk = Talk(start(range(1, 12)))
    for band in range(1, 10):
        talk.say(f"{band} female")
    assert reminders(talk.say("10 female")) == ["one left"]
    talk.say("strike")
    talk.say("strike")
    assert reminders(talk.say("9 male")) == []
    assert reminders(talk.say("10 male")) == []
    assert reminders(talk.say("11 male")) == ["all done"]
    talk.say("correction")
    assert reminders(talk.say("female")) == []
    talk.say("strike")
    talk.say("strike")
    assert reminders(talk.say("11 female")) == ["all done"]


def test_a_session_goes_on_where_its_facts_leave_it(talk: Talk) -> None:
    talk.say_all("42 male", "30", "female", "strike", "note", "cough", "pause")
    later = Talk(resume(ROSTER, talk.facts, KNOWN, SETTINGS))
    later.turns = talk.turns
    assert expects(later.state) == "paused"
    assert spoken(later.say("resume")) == "listening, three zero in hand, six left"
    assert spoken(later.say("unsure")) == "three zero, unsure"
    assert left(later.state) == [3, 7, 12, 52, 107]


def test_a_roster_keeps_its_order_and_names_a_band_once() -> None:
    assert spoken(Talk(start([12, 3, 12])).say("who")) == "left: one two, three"


def test_an_empty_roster_is_refused() -> None:
    with pytest.raises(VoicelogError, match="name the bands of the pen"):
        start([])


def test_surely_one_of_two_readings_is_asked_about_and_not_said_again() -> None:
    talk = Talk(start(ROSTER))
    assert talk.say("42 410g ~0.5 | 42 415g").verdict is Verdict.REJECT
    talk.either = 0.95
    asked = talk.say("42 410g ~0.5 | 42 415g")
    assert asked.verdict is Verdict.ASK
    assert asked.record is not None and asked.record.weight_g == 410
    assert "or" in spoken(asked)
    # Two slots apart, no question could name what is in doubt.
    assert talk.say("107 male ~0.5 | 42 female").verdict is Verdict.REJECT


@pytest.mark.parametrize("said", ["42 cull", "42 injured", "42 sick"])
def test_what_cannot_be_undone_is_asked_unless_two_listeners_heard_it_very_surely(talk: Talk, said: str) -> None:
    assert talk.say(f"{said} ~1.0").verdict == "ask"
    talk.by_two = True
    assert talk.say(f"{said} ~0.98").verdict == "ask"
    assert talk.say(f"{said} ~0.99").verdict == "accept"


def test_the_dead_are_asked_about_however_surely_they_were_heard(talk: Talk) -> None:
    talk.by_two = True
    assert spoken(talk.say("42 dead ~1.0")) == "four two dead; right?"
    assert spoken(talk.say("42 dead cull ~1.0")) == "four two dead; right?"
