"""The trade: what earlier sessions say of a bird, for the session that begins now.

It reads the ledger's book; it knows nothing of sound or of the dialogue's course.
"""

from voicelog.flock.earlier import earlier_calls

__all__ = ["earlier_calls"]
