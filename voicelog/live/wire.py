"""Messages between a live session and its sound process: a kind, a time, and bytes."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO

SOUND = b"m"
"""Microphone, 16 kHz mono int16."""
OVERRUN = b"o"
BEGAN = b"b"
ENDED = b"e"
READY = b"r"
"""The microphone records."""
LOST = b"l"
"""The microphone cannot be had, and why; the process ends soon after."""
BROKEN = b"x"
"""Nothing can be had at all, and why."""
NOTE = b"n"
"""Something to tell, such as that there is no speaker."""

PLAY = b"p"
"""To the process: sound, mono int16; the time field is its rate in Hz."""
STOP = b"s"

_HEAD = struct.Struct("<cdI")


@dataclass(frozen=True, slots=True)
class Message:
    kind: bytes
    at_s: float
    content: bytes = b""


def write(stream: IO[bytes], message: Message) -> None:
    """Raises OSError where nobody reads."""
    stream.write(_HEAD.pack(message.kind, message.at_s, len(message.content)) + message.content)
    stream.flush()


def messages(stream: IO[bytes]) -> Iterator[Message]:
    """Every message until the stream ends."""
    while len(head := stream.read(_HEAD.size)) == _HEAD.size:
        kind, at_s, length = _HEAD.unpack(head)
        content = stream.read(length)
        if len(content) < length:
            return
        yield Message(kind, at_s, content)
