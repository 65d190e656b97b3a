"""What a live session says of itself; what it says of birds is in `session.wording`."""

from __future__ import annotations

from voicelog.session.wording import band, left

TOO_LOUD = "too loud"
MOVE_CLOSER = "move closer"
MICROPHONE_LOST = "microphone lost"
SOUND_LOST = "sound was lost, check the last call"
DISK_FULL = "not written, the disk is full"
CANNOT_WRITE = "not written, the ledger cannot be written"


def still_listening(count: int) -> str:
    return f"still listening, {left(count)}"


def no_sex_yet(number: int) -> str:
    return f"{band(number)} has no sex yet"


def microphone_back(where_it_stands: str) -> str:
    return f"microphone back, {where_it_stands}"
