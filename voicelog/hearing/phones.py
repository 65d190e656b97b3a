"""The acoustic model of PocketSphinx as a search sees it: which states a phone has between two others, how long each
lasts, and how badly every state fits every frame of a sound.

The files are those of the English model in the PocketSphinx wheel; their formats are CMU Sphinx's own.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from voicelog.values import VoicelogError

Costs = np.ndarray[tuple[int, int], np.dtype[np.int16]]
"""Shape (frames, states): how much worse each tied state fits a frame than the best of them, in `NATS` units."""

CostsOfFrame = np.ndarray[tuple[int], np.dtype[np.int16]]
"""The same of one frame, shape (states,)."""

NATS = 1024 * float(np.log(1.0001))
"""One unit of PocketSphinx's scores, in nats: logarithms to the base 1.0001, shifted right by 10 bits."""

SILENCE = "SIL"

STATES = 3
"""Of every phone, entered at the first and left from the last; none is left out."""

_POSITIONS = ("inside", "begin", "end", "single")
Position = Literal["inside", "begin", "end", "single"]
"""Where in a word a phone stands; the order is that of the file."""

_HEADER_END = b"endhdr\n"
_BYTE_ORDER = bytes.fromhex("44332211")

_RAREST = 1e-4
"""Least probability of a transition, as in PocketSphinx (tmatfloor)."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A phone in its surroundings: its tied states, and the cost of staying in and of leaving each, in `NATS` units."""

    states: tuple[int, ...]
    stay: tuple[int, ...]
    leave: tuple[int, ...]


class PhoneModel:
    """Raises VoicelogError where the files in `folder` are not those of a model of this kind."""

    def __init__(self, folder: Path) -> None:
        try:
            self._read(folder)
        except (OSError, struct.error, ValueError, IndexError) as wrong:
            raise VoicelogError(
                f"{folder}: PocketSphinx's English model cannot be read ({wrong}); install the wheel again: "
                "pip install --force-reinstall pocketsphinx"
            ) from wrong
        self._units: dict[tuple[str, str, str, Position], Unit] = {}

    def _read(self, folder: Path) -> None:
        data = (folder / "mdef").read_bytes()
        names = phone_names(data)
        counts = _counts_at(data)
        _, phones, states, _, _, _, sequences, _, nodes, _ = struct.unpack_from("<10i", data, counts)
        if states != STATES:
            raise ValueError(f"phones of {states} states")
        self._phones = {name: number for number, name in enumerate(names)}
        text = sum(len(name.encode()) + 1 for name in names)
        at = counts + 40 + text + -text % 4 + nodes * 8
        kind = np.dtype([("sequence", "<i4"), ("transitions", "<i4"), ("about", "<i1", 4)])
        self._entries = np.frombuffer(data, kind, phones, at)
        at += phones * kind.itemsize + 4  # the length of what follows
        self._sequences = np.frombuffer(data, "<u2", sequences * states, at).reshape(-1, states)
        about = self._entries["about"][len(names) :].astype(np.int64)
        self._numbers = {tuple(each): number for number, each in enumerate(about.tolist(), len(names))}
        self._transitions = _transitions((folder / "transition_matrices").read_bytes())

    def unit(self, phone: str, before: str, after: str, position: Position) -> Unit:
        """`phone` between two others; where the model has no such triple, the nearest that it has."""
        key = (phone, before, after, position)
        if key not in self._units:
            entry = self._entries[self._nearest(*key)]
            stay, leave = self._transitions[int(entry["transitions"])]
            states = tuple(self._sequences[int(entry["sequence"])].tolist())
            self._units[key] = Unit(states, stay, leave)
        return self._units[key]

    def _nearest(self, phone: str, before: str, after: str, position: Position) -> int:
        base, left, right = self._phones[phone], self._phones[before], self._phones[after]
        at = _POSITIONS.index(position)
        for place in (at, *range(len(_POSITIONS))):
            found: int | None = self._numbers.get((place, base, left, right))
            if found is not None:
                return found
        return base


def phone_names(mdef: bytes) -> tuple[str, ...]:
    """The base phones, in the model's order, from the bytes of its binary mdef; ValueError where it is none."""
    if mdef[:4] != b"BMDF":
        raise ValueError("mdef is not binary")
    at = _counts_at(mdef)
    (phones,) = struct.unpack_from("<i", mdef, at)
    return tuple(name.decode() for name in mdef[at + 40 :].split(b"\0", phones)[:phones])


def _counts_at(mdef: bytes) -> int:
    """Where the ten counts stand, behind a description of the format."""
    return 12 + int(struct.unpack_from("<i", mdef, 8)[0])


def behind_header(file: bytes) -> int:
    """Where the numbers of a model or score file begin: behind a header of lines and a byte order mark (bio.c of
    PocketSphinx 5). ValueError where there is none, or numbers are the other way round."""
    at = file.index(_HEADER_END) + len(_HEADER_END)
    if file[at : at + 4] != _BYTE_ORDER:
        raise ValueError("a model file is not in little-endian order")
    return at + 4


def _transitions(data: bytes) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    at = behind_header(data)
    matrices, source, target, total = struct.unpack_from("<4i", data, at)
    if (source, target) != (STATES, STATES + 1) or total != matrices * source * target:
        raise ValueError("transition_matrices is of another format")
    counts = np.frombuffer(data, "<f4", total, at + 16).reshape(matrices, source, target).astype(float)
    allowed = counts > 0
    for _ in range(2):  # floored in between
        counts /= counts.sum(2, keepdims=True)
        counts[allowed] = np.maximum(counts[allowed], _RAREST)
    rows = np.arange(STATES)
    if allowed.sum() != matrices * STATES * 2 or not allowed[:, rows, rows].all():
        raise ValueError("phones whose states may be left out")
    costs = np.round(-np.log(np.where(allowed, counts, 1)) / NATS).astype(int)
    return [(tuple(each[rows, rows].tolist()), tuple(each[rows, rows + 1].tolist())) for each in costs]


class ScoreFile:
    """The scores of one utterance as PocketSphinx writes them into a file (senlogdir), all states computed; as far as
    it has come."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("rb")
        self._states = 0
        self._rest = b""

    def more(self) -> Costs:
        """The frames that came since the last time. Raises OSError, and ValueError for a file of another kind."""
        self._rest += self._file.read()
        if not self._states:
            head, marker, behind = self._rest.partition(_HEADER_END)
            if not marker or len(behind) < len(_BYTE_ORDER):
                return np.zeros((0, 0), np.int16)
            begins = behind_header(self._rest)
            (self._states,) = (int(line.split()[1]) for line in head.split(b"\n") if line.startswith(b"n_sen "))
            self._rest = self._rest[begins:]
        frame = 2 * (self._states + 1)
        there = len(self._rest) // frame * frame
        rows = np.frombuffer(self._rest[:there], "<i2").reshape(-1, self._states + 1)
        self._rest = self._rest[there:]
        if (rows[:, 0] != self._states).any():
            raise ValueError("scores of some states only; install the pinned version of PocketSphinx")
        return rows[:, 1:]

    def close(self) -> None:
        self._file.close()
