"""What a handler can say, as types: the parser makes them, the dialogue takes them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from voicelog.values import Call


class _Said(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class CallSaid(_Said):
    """A whole call ("band four two male") or a part of one ("hen"; then `call.band` is None)."""

    kind: Literal["call"] = "call"
    call: Call


class Answer(_Said):
    """Yes or no to a question that was asked."""

    kind: Literal["answer"] = "answer"
    yes: bool


CommandName = Literal["how many", "who", "repeat", "strike", "correction", "note", "pause", "resume", "finish"]


class Command(_Said):
    """A session word: how many left, who is left, repeat, strike that, correction, note,
    pause listening, resume listening, finish session."""

    kind: Literal["command"] = "command"
    name: CommandName


class NotUnderstood(_Said):
    """Sound or words that are no utterance of the grammar; `why` in plain words."""

    kind: Literal["nothing"] = "nothing"
    why: str


Utterance = Annotated[CallSaid | Answer | Command | NotUnderstood, Field(discriminator="kind")]
utterance_adapter: TypeAdapter[Utterance] = TypeAdapter(Utterance)
