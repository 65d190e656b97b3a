"""Everything known of a bird, a pen or a lot, in order, in plain words."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from voicelog.ledger import SLOTS, FoldedBird, FoldedPen, Ledger, Plain, fates, fold_birds, headcount
from voicelog.values import VoicelogError, composed


@dataclass(frozen=True, slots=True)
class Entry:
    """One fact of a history. `fate` is empty, or why the fact does not count; `sounds` are the events of it
    whose sound was kept."""

    id: str
    day: str
    says: str
    words: str
    fate: str
    sounds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class History:
    """`head` says in a line what is known now; entries in the order in which things happened."""

    head: str
    entries: tuple[Entry, ...]


def bird_history(ledger: Ledger, band: int) -> list[History]:
    """The birds that wore a band, the one that wears it now last.

    Raises VoicelogError where no bird ever did.
    """
    events = ledger.about_band(band)
    about: dict[str, str] = {}
    folded = fold_birds(events, about)
    wore = {bird_id for _, bird_id in _naming(events, about, band)}
    birds = [bird for bird in folded.birds if bird.id in wore]
    if not birds:
        raise VoicelogError(f"no bird of this ledger ever wore band {band}; check the number, or name another --ledger")
    entries = _entries(ledger, events)
    return [
        History(_bird_line(bird), tuple(entry for entry in entries if about.get(entry.id) == bird.id)) for bird in birds
    ]


def lot_history(ledger: Ledger, lot: str) -> History:
    """Raises VoicelogError for a lot that is not in the book."""
    lot = composed(lot)
    found = ledger.lots().lots.get(lot)
    if found is None:
        raise VoicelogError(f"no lot {lot} in this ledger; enter it with voicelog set-eggs or voicelog hatch")
    eggs = f"{found.eggs + found.eggs_out} eggs set on {found.eggs_on}" if found.eggs_on else ""
    removed = f"{found.eggs_out} taken out" if found.eggs_out else ""
    hatched = f"{found.hatched} hatched on {found.hatched_on}" if found.hatched_on else ""
    parents = f"parents: group {found.parents}" if found.parents else ""
    head = ", ".join(filter(None, (f"lot {lot}: {found.variety}", parents, eggs, removed, hatched)))
    loose = headcount(found, ledger.banded_out())
    told = [
        f"{loose[pen]} in {'no pen that was named' if pen is None else f'pen {pen}'}" for pen in sorted(loose, key=str)
    ]
    return History(
        f"{head}; {_living(ledger, 'lot', lot)}{_loose(told)}", _bunched(_entries(ledger, ledger.about_lot(lot)))
    )


def pen_history(ledger: Ledger, pen: str) -> History:
    """Raises VoicelogError for a pen that nothing is known of."""
    events = ledger.about_pen(pen)
    if not events:
        raise VoicelogError(f"nothing of this ledger happened in pen {pen}; check its name")
    folded, banded = ledger.lots(), ledger.banded_out()
    named = folded.pens.get(pen, FoldedPen(pen))
    loose = {lot.name: headcount(lot, banded).get(pen, 0) for lot in folded.lots.values()}
    told = ", ".join(filter(None, (f"pen {pen}", named.title, named.use and f"for {named.use}")))
    of_lots = [f"{count} of lot {lot}" for lot, count in sorted(loose.items()) if count]
    return History(f"{told}; {_living(ledger, 'pen', pen)}{_loose(of_lots)}", _bunched(_entries(ledger, events)))


def _naming(events: Sequence[Plain], about: dict[str, str], band: int) -> list[tuple[str, str]]:
    """(event, bird) of the events that name a band on their bird."""
    found = []
    for event_id, _, _, _, _, fact in events:
        named = {fact.get("band"), fact.get("new"), (fact.get("call") or {}).get("band")}
        if band in named and event_id in about:
            found.append((event_id, about[event_id]))
    return found


def _living(ledger: Ledger, column: str, value: str) -> str:
    rows = ledger.db.execute(
        f"SELECT coalesce(sex, 'not sexed'), count(*) FROM bird WHERE {column} = ? AND state = 'live' GROUP BY 1",
        [value],
    ).fetchall()
    told = ", ".join(f"{count} {sex}" for sex, count in rows)
    return f"banded birds now: {told}" if rows else "no banded birds now"


def _loose(told: Sequence[str]) -> str:
    return f"; without bands: {', '.join(told)}" if told else ""


def _entries(ledger: Ledger, events: Sequence[Plain]) -> list[Entry]:
    why = fates((event[0], event[5]) for event in events)
    words = ledger.words(event[0] for event in events)

    def heard(event_id: str) -> tuple[str, ...]:
        return (event_id,) if ledger.sound_path(event_id).is_file() else ()

    told = [
        Entry(event_id, day, says(fact), words[event_id], why.get(event_id, ""), heard(event_id))
        for event_id, _, _, _, day, fact in events
    ]
    return sorted(told, key=lambda entry: (entry.day, entry.id))


def _bunched(entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """Facts of one day that say the same of several birds, as one entry each."""
    bunches: dict[tuple[str, str, str], list[tuple[str, Entry]]] = defaultdict(list)
    for entry in entries:
        bird, _, says = entry.says.partition(": ") if entry.says.startswith("band ") else ("", "", entry.says)
        bunches[entry.day, says, entry.fate].append((bird.removeprefix("band "), entry))
    return tuple(_one(says, found) for (_, says, _), found in bunches.items())


def _one(says: str, found: Sequence[tuple[str, Entry]]) -> Entry:
    first = found[0][1]
    if len(found) == 1:
        return first
    # One bird may have been called twice.
    birds = {int(bird) for bird, _ in found if bird}
    many = f"{len(birds)} birds ({ranges(birds)}): {says}"
    told = many if len(birds) > 1 else f"{first.says}, {len(found)} times"
    sounds = tuple(event_id for _, entry in found for event_id in entry.sounds)
    return Entry(first.id, first.day, told, "", first.fate, sounds)


def ranges(bands: Iterable[int]) -> str:
    """Bands 1, 2, 3 and 7 as "1-3,7", the way a roster is named."""
    runs: list[list[int]] = []
    for number in sorted(set(bands)):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ",".join(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)


def _bird_line(bird: FoldedBird) -> str:
    known = bird.known.get
    parts = [
        f"band {bird.band}" if bird.band else f"no band now (was {known('band')})",
        bird.lot and f"lot {bird.lot}",
        known("pen") and f"pen {known('pen')}",
        bird.group and f"group {bird.group}",
        known("sex") and f"{known('sex')} (called {bird.sexed_on})",
        bird.changed_on and f"sex changed on {bird.changed_on}",
        known("weight_g") and f"{known('weight_g'):g} g",
        known("condition") if known("condition") not in ("fine", "dead") else None,
        known("fate") and f"to {known('fate')}",
        f"{bird.state} on {bird.gone_on}" if bird.gone_on else None,
    ]
    return ", ".join(part for part in parts if part)


def says(fact: dict[str, Any]) -> str:
    """One fact, as its payload, in plain words."""
    get = fact.get
    match fact["kind"]:
        case "call":
            call = fact["call"]
            said = ", ".join(_slot(name, call[name]) for name in SLOTS if call[name] is not None) or "seen"
            why = f" (fixed: {get('reason')})" if get("reason") else ""
            return f"band {fact['call']['band']}: {said}{why}"
        case "eggs_set":
            laid = f", laid by group {get('parents')}" if get("parents") else ""
            return f"{fact['count']} eggs of {fact['variety']} set{laid}"
        case "eggs_tended":
            return f"{'candled' if fact['task'] == 'candle' else 'turning stopped'}, {fact['removed']} taken out"
        case "hatched":
            return f"{fact['count']} hatched" + _pen(" in ", get("pen"))
        case "banded":
            lot = f" of lot {get('lot')}" if get("lot") else ""
            return f"band {fact['band']}: put on{lot}" + _pen(" in ", get("pen"))
        case "band_lost":
            return f"band {fact['band']}: lost"
        case "band_replaced":
            return f"band {fact['band']}: replaced by {fact['new']}"
        case "moved":
            return f"band {fact['band']}: to pen {fact['pen']}"
        case "grouped":
            return f"band {fact['band']}: into group {fact['group']}, pen {fact['pen']}"
        case "died":
            return f"band {fact['band']}: died" + (f": {get('cause')}" if get("cause") else "")
        case "sold":
            return f"band {fact['band']}: sold"
        case "lot_moved":
            sex = f" {get('sex')}s" if get("sex") else ""
            return f"{fact['count']}{sex} without bands" + _pen(" from ", get("from_pen")) + f" to pen {fact['pen']}"
        case "lot_less":
            return f"{fact['count']} without bands {fact['why']}" + _pen(" in ", get("pen"))
        case "counted":
            return f"counted: {fact['sex']}"
        case "pen_named":
            return f"pen {fact['pen']}: " + ", ".join(filter(None, (get("title"), get("use"))))
        case "note":
            return "voice note"
        case kind:
            return str(kind).replace("_", " ")


def _pen(before: str, pen: str | None) -> str:
    return f"{before}pen {pen}" if pen else ""


def _slot(name: str, value: Any) -> str:
    match name:
        case "weight_g":
            return f"{value:g} g"
        case "foam" | "gland" | "breast":
            return f"{name} {value}"
        case "pen":
            return f"to pen {value}"
        case _:
            return str(value)
