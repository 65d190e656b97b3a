"""One event as a row of the table `event`, and back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import rfc8785
from pydantic import ValidationError

from voicelog.ledger.chain import row_hash
from voicelog.ledger.events import Draft, Event
from voicelog.values import VoicelogError

COLUMNS = (
    *("id", "device", "seq", "session", "at", "zone"),
    *("payload", "words", "certainty", "engine", "verdict", "prev", "hash"),
)
"""The stored columns. `kind`, `band` and `about` are generated from `payload` by SQLite."""

SELECT = f"SELECT {', '.join(f'event.{name}' for name in COLUMNS)} FROM event"


def utc_text(at: datetime) -> str:
    """`at` as the ledger writes times: UTC, always six decimals, so that text order is time order."""
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def said_columns(draft: Draft) -> dict[str, Any]:
    """The columns that the draft decides; the ledger decides the others."""
    return {
        "id": draft.id,
        "session": draft.session,
        "payload": rfc8785.dumps(draft.fact.model_dump(mode="json")).decode(),
        "words": draft.words,
        "certainty": draft.certainty,
        "engine": draft.engine,
        "verdict": None if draft.verdict is None else draft.verdict.value,
    }


def to_row(draft: Draft, *, device: str, seq: int, prev: str, now: datetime) -> dict[str, Any]:
    """The whole row, hash included. `now` is an aware datetime in the local zone.

    Raises VoicelogError for text that UTF-8 cannot hold.
    """
    try:
        row = {
            **said_columns(draft),
            "device": device,
            "seq": seq,
            "at": utc_text(now),
            "zone": now.isoformat()[-6:],
            "prev": prev,
        }
        return {**row, "hash": row_hash(row)}
    except rfc8785.CanonicalizationError as error:
        raise VoicelogError("a word or name has a broken character in it: give it again without it") from error


def to_event(row: Mapping[str, Any]) -> Event:
    """The event of a row.

    Raises VoicelogError for a row that this version cannot read.
    """
    fields = {name: row[name] for name in COLUMNS if name != "payload"}
    try:
        return Event(**fields, fact=json.loads(row["payload"]))
    except (ValidationError, ValueError) as error:
        raise VoicelogError(
            f"event {row['id']} in the ledger cannot be read: "
            "it was altered, or a newer voicelog wrote it; use that version, or go back to a copy"
        ) from error
