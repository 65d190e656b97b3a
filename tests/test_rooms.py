"""The rooms import only in the allowed directions (DEVELOPERS.md, "The rooms")."""

from __future__ import annotations

import ast
from pathlib import Path

import voicelog

ALLOWED = {
    "audio": set(),
    "grammar": set(),
    "hearing": {"grammar"},
    "rehearse": {"audio", "grammar", "hearing", "session"},
    "ledger": set(),
    "session": {"grammar", "ledger"},
    "flock": {"ledger"},
    "report": {"flock", "ledger"},
}
PACKAGE = Path(voicelog.__file__).parent


def imported_rooms(file: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        found |= {name.split(".")[1] for name in names if name.startswith("voicelog.")}
    return found


def test_rooms_import_only_what_they_may() -> None:
    for room, allowed in ALLOWED.items():
        files = list((PACKAGE / room).rglob("*.py"))
        assert files, room
        for file in files:
            assert imported_rooms(file) <= allowed | {room, "values", "aside"}, file
