"""Sessions killed at random moments: is all that was read back in the ledger, and does the next one know where it was?

Two ways. By sound: the live loop over the recorded session (`doomed`), one
session killed again and again and gone on with each time, until it is finished.
Typed: `voicelog type` with the same words, killed once a ledger; it has a
write every few milliseconds, so that many kills fall into one. A kill is
SIGKILL: nothing can be tidied up. (It is no power cut: what the system has
taken from the process is still written.)
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

from voicelog.bench.child import Child
from voicelog.bench.stand import stand
from voicelog.ledger import Ledger
from voicelog.recorded import RecordedSession
from voicelog.resuming import go_on
from voicelog.session import Settings
from voicelog.sitting import Sitting
from voicelog.values import VoicelogError

Way = Literal["sound", "typed"]

MOST_REPLIES = 6
"""Of a session by sound one kill falls after none to so many replies; of a typed one, anywhere."""


@dataclass(frozen=True, slots=True)
class Kill:
    """One kill. `replies` were told since the process began, `read_back` facts in the session so far.

    `unsaid` facts were in the ledger though not read back yet: the kill fell between the two.
    `wrong` says what does not hold; empty where all does.
    """

    way: Way
    replies: int
    read_back: int
    unsaid: int
    finished: bool
    wrong: tuple[str, ...]


@dataclass(slots=True)
class Killing:
    """What both ways need. `settings` are those of the dialogue."""

    recorded: RecordedSession
    settings: Settings
    plans: Any
    folder: Path
    chance: random.Random
    kills: list[Kill] = field(default_factory=list)

    def figures(self) -> dict[str, Any]:
        by_way = {
            way: {
                "kills": len(ones),
                "facts_read_back": sum(one.read_back for one in ones),
                "between_writing_and_reading_back": sum(one.unsaid > 0 for one in ones),
                "sessions_brought_to_the_end": sum(one.finished for one in ones),
                "with_something_wrong": sum(bool(one.wrong) for one in ones),
            }
            for way in ("sound", "typed")
            if (ones := [one for one in self.kills if one.way == way])
        }
        return {"ways": by_way, "kills": [asdict(one) for one in self.kills]}


def kill_typed(
    killing: Killing, sitting: Callable[[Ledger], Sitting], times: int, tell: Callable[[Kill], None]
) -> None:
    """`sitting` begins a session over a ledger as `voicelog type` does; an uninterrupted one is the reference."""
    words = [one.words for one in killing.recorded.said() if one.words and one.event != "session_finished"]
    with Ledger.open(_fresh(killing)) as ledger:
        killing.recorded.write_earlier_check(ledger)
        reference = sitting(ledger)
        stands, counts = [stand(reference.state)], [1]
        for line in words:
            reference.type(line)
            stands.append(stand(reference.state))
            counts.append(len(list(ledger.events(session=reference.session))))
        facts = _facts(ledger, reference.session)
    roster = ",".join(map(str, killing.recorded.beginning.roster))
    pen = killing.recorded.beginning.purpose.pen or ""
    for _ in range(times):
        path = _fresh(killing)
        with Ledger.open(path) as ledger:
            killing.recorded.write_earlier_check(ledger)
        child = Child(["-m", "voicelog", "type", "--ledger", str(path), "--roster", roster, "--pen", pen])
        child.feed("".join(f"{line}\n" for line in words))
        lines = child.kill_after(killing.chance.randint(0, len(words) - 1), killing.chance, _is_reply)
        replies = sum(map(_is_reply, lines))
        wrong: list[str] = []
        with Ledger.open(path, must_exist=True) as ledger:
            wrong += map(str, ledger.verify())
            # Killed before the session began, its ledger has the earlier check alone.
            began = len(ledger.sessions()) > 1
            found = _facts(ledger, ledger.sessions()[-1]) if began else []
            unsaid = len(found) - counts[replies] if began else 0
            if found != facts[: len(found)]:
                wrong.append("the facts are not those of the words typed")
            if unsaid < 0 or (replies and not began):
                wrong.append(f"{-unsaid} facts that were read back are not in the ledger")
            if began:
                wrong += _resumed(killing, ledger, [
                    place for number, place in enumerate(stands)
                    if number in (replies, replies + 1) and counts[number] == len(found)
                ])  # fmt: skip
        killing.kills.append(Kill("typed", replies, counts[replies] - 1, max(unsaid, 0), False, tuple(wrong)))
        tell(killing.kills[-1])


def kill_by_sound(killing: Killing, times: int, tell: Callable[[Kill], None]) -> None:
    path, number, read_back, last_stand = _fresh(killing), 0, list[str](), None
    for _ in range(times):
        child = Child(["-m", "voicelog.bench.doomed", str(path), str(number)])
        lines = child.kill_after(
            killing.chance.randint(0, MOST_REPLIES), killing.chance, lambda line: '"said"' in line, ready='"ready"'
        )
        told = [json.loads(line) for line in lines]
        replies = [line for line in told if "said" in line]
        wrong: list[str] = []
        with Ledger.open(path, must_exist=True) as ledger:
            wrong += map(str, ledger.verify())
            session = ledger.sessions()[-1]
            found = [event.id for event in ledger.events(session=session)]
            if not read_back:
                # That the session began is told by nobody.
                read_back = found[:1]
            read_back = [*read_back, *(fact for line in replies for fact in line["written"])]
            if found[: len(read_back)] != read_back:
                wrong.append("facts that were read back are not in the ledger, or not in their order")
            unsaid = len(found) - len(read_back)
            if replies:
                number, last_stand = replies[-1]["number"] + 1, replies[-1]["stand"]
            if unsaid > 0:
                # It was not read back, but the next opening tells of it. Where it goes on, no reply has told yet.
                number, last_stand = number + 1, None
            finished = any(event.fact.kind == "session_finished" for event in ledger.events(session=session))
            if not finished and number and unsaid == 0 and last_stand is not None:
                wrong += _resumed(killing, ledger, [last_stand])
            elif not finished and unsaid > 0:
                wrong += _resumed_after_unsaid(killing, ledger, session, found)
        killing.kills.append(Kill("sound", len(replies), len(read_back) - 1, unsaid, finished, tuple(wrong)))
        tell(killing.kills[-1])
        # One that was killed before anything was said begins anew, as a session of its own.
        read_back = found if number else []
        if finished or number >= len(killing.recorded.said()):
            path, number, read_back, last_stand = _fresh(killing), 0, [], None


def _resumed(killing: Killing, ledger: Ledger, right: list[dict[str, Any]]) -> list[str]:
    """What is wrong with where `--resume` would go on; `right` are the places where it may."""
    try:
        _, (_, state) = go_on(ledger, killing.plans, killing.settings)
    except VoicelogError as refused:
        return [f"it cannot be gone on with: {refused}"]
    found = stand(state)
    return [] if found in right else [f"it goes on at {found}, not at {right}"]


def _resumed_after_unsaid(killing: Killing, ledger: Ledger, session: str, found: list[str]) -> list[str]:
    """The same where a fact was written that nobody heard of: the bird of a call must be in hand."""
    try:
        _, (_, state) = go_on(ledger, killing.plans, killing.settings)
    except VoicelogError as refused:
        return [f"it cannot be gone on with: {refused}"]
    last = next(event.fact for event in ledger.events(session=session) if event.id == found[-1])
    if last.kind != "call" or (stand(state)["in hand"] == last.call.band and state.purpose.pen is not None):
        return []
    return [f"it goes on at {stand(state)}, after a call about {last.call.band}"]


def _facts(ledger: Ledger, session: str) -> list[str]:
    """Facts as text, without the ids by which they name each other."""
    return [
        json.dumps([event.fact.kind, event.fact.call.model_dump() if event.fact.kind == "call" else None])
        for event in ledger.events(session=session)
    ]


def _is_reply(line: str) -> bool:
    return line[:2] in ("+ ", "? ", "- ")


def _fresh(killing: Killing) -> Path:
    folder = killing.folder / f"{len(list(killing.folder.iterdir()))}"
    folder.mkdir()
    return folder / "yard.ledger"
