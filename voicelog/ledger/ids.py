"""Ids of events: UUIDv7 (RFC 9562, section 5.7) in lower case, so that text order is time order."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from typing import Annotated

import uuid_utils
from pydantic import Field

EVENT_ID_PATTERN = r"^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$"

EventId = Annotated[str, Field(pattern=EVENT_ID_PATTERN)]
"""The id of one event: a UUIDv7 as 36 characters, lower case."""

_lock = threading.Lock()
_latest = ""


def new_id() -> str:
    """The next id, greater than every id that this process made or was told of by `begin_after`.

    While the clock stands behind the latest id (a small computer with no clock
    battery wakes up in the past), ids run one millisecond ahead of it instead.
    """
    global _latest  # noqa: PLW0603 - one order of ids for the whole process
    with _lock:
        fresh = str(uuid_utils.uuid7())
        if fresh <= _latest:
            ahead_ms = uuid_utils.UUID(_latest).timestamp + 1
            fresh = str(uuid_utils.uuid7(nanoseconds=ahead_ms * 1_000_000))
        _latest = fresh
        return fresh


def time_of(event_id: str) -> datetime:
    """When an id was made, in UTC, to the millisecond."""
    return datetime.fromtimestamp(uuid_utils.UUID(event_id).timestamp / 1000, UTC)


def begin_after(event_id: str) -> None:
    """Make every later id greater than `event_id`, whatever the clock says."""
    global _latest  # noqa: PLW0603 - one order of ids for the whole process
    with _lock:
        _latest = max(_latest, event_id)
