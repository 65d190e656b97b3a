"""The dialogue with the handler, as a pure function: a state and a turn give facts, replies, a state.

Accept, ask or reject; corrections, questions and reminders. It knows nothing of sound, storage or
the time: what is heard comes in as a `Turn`, and the caller writes the facts, then says the replies.
"""

from voicelog.session.dialogue import Expects, expects, step
from voicelog.session.outcome import Outcome
from voicelog.session.policy import Judgement, Policy, judge
from voicelog.session.purpose import KINDS, Kind, Purpose
from voicelog.session.state import Known, Settings, State, done, left, resume, start
from voicelog.session.turn import Reply, Turn
from voicelog.session.usual import by_custom, odds
from voicelog.session.wording import Length

__all__ = [
    "KINDS",
    "Expects",
    "Judgement",
    "Kind",
    "Known",
    "Length",
    "Outcome",
    "Policy",
    "Purpose",
    "Reply",
    "Settings",
    "State",
    "Turn",
    "by_custom",
    "done",
    "expects",
    "judge",
    "left",
    "odds",
    "resume",
    "start",
    "step",
]
