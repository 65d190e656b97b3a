"""The trade: varieties and check plans, the yard at one moment, what is due, what is known of a bird, pen or lot.

It reads the ledger; it knows nothing of sound or of the dialogue's course.
"""

from voicelog.flock.due import STATUSES, Task, due, without_lot, without_plan
from voicelog.flock.earlier import earlier_calls, gone_birds, live_bands, names_bird
from voicelog.flock.history import History, bird_history, lot_history, pen_history, ranges, says
from voicelog.flock.varieties import Check, Plan, Plans, load_plans
from voicelog.flock.yard import Yard, yard_now, yard_of

__all__ = [
    "STATUSES",
    "Check",
    "History",
    "Plan",
    "Plans",
    "Task",
    "Yard",
    "bird_history",
    "due",
    "earlier_calls",
    "gone_birds",
    "live_bands",
    "load_plans",
    "lot_history",
    "names_bird",
    "pen_history",
    "ranges",
    "says",
    "without_lot",
    "without_plan",
    "yard_now",
    "yard_of",
]
