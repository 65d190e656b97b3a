"""Two copies of one ledger that went on apart: the chain of their device forks.

Both copies write under one device id, from the same row on. Their union is a tree
of rows, each naming the row before it by hash. Nothing in it is rewritten; the
branches are only told apart: by the writer's name here, and path by path when the
chains are verified.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

from voicelog.ledger.chain import NO_ROW_BEFORE, Problem, Row, problems

Heads = Mapping[str, Sequence[tuple[int, str]]]
"""By device, seq and hash of every row that ends a chain; more than one where the device forked."""


def writers(rows: Iterable[tuple[str, str, str, str]]) -> dict[str, str]:
    """By event id, the writer of every row that is not its device's alone.

    `rows` are (id, device, prev, hash) of the devices that forked, in order of
    seq. A writer is the device and the branches taken, so that one writer's name
    begins with another's just where it knew what the other had written.
    """
    rows = list(rows)
    children: dict[tuple[str, str], int] = defaultdict(int)
    for _, device, prev, _ in rows:
        children[device, prev] += 1
    label: dict[tuple[str, str], str] = {}
    named: dict[str, str] = {}
    for event_id, device, prev, own in rows:
        writer = label.get((device, prev), device)
        if children[device, prev] > 1:
            writer = f"{writer}/{own[:16]}"
        label[device, own] = writer
        if writer != device:
            named[event_id] = writer
    return named


def all_problems(rows: Sequence[Row], heads: Heads) -> Iterator[Problem]:
    """What is wrong with all rows of the table `event`, ordered by device and seq; `chain.problems` path by path."""
    plain = {device: found[0] for device, found in heads.items() if len(found) == 1}
    forked = {device: found for device, found in heads.items() if len(found) > 1}
    yield from problems([row for row in rows if row["device"] not in forked], plain)
    for device, ends in forked.items():
        of_device = [row for row in rows if row["device"] == device]
        seen: set[str] = set()
        told: set[Problem] = set()
        for seq, end in ends:
            path = _path(of_device, end)
            seen.update(row["id"] for row in path)
            for problem in problems(path, {device: (seq, end)}):
                if problem not in told:
                    told.add(problem)
                    yield problem
        for row in of_device:
            if row["id"] not in seen:
                says = f"row {row['seq']} of device {device} (event {row['id']}) is in no chain: it was altered"
                yield Problem("altered", device, row["seq"], row["id"], says)


def _path(rows: Sequence[Row], end: str) -> list[Row]:
    """The rows from the first one to the one whose hash is `end`, as far as the links lead."""
    by_hash = {row["hash"]: row for row in rows}
    path: list[Row] = []
    while end != NO_ROW_BEFORE and (row := by_hash.pop(end, None)) is not None:
        path.append(row)
        end = row["prev"]
    return path[::-1]
