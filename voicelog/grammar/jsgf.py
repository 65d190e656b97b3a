"""Reading JSpeech Grammar Format files into a small tree.

Source: JSpeech Grammar Format, W3C Note, 5 June 2000. The whole rule syntax is
read: weights, tags, quoted tokens, grouping, options, `*` and `+`, imports,
`<NULL>` and `<VOID>`, comments. Lark does the reading, so that a mistake is
named with its line and column.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

from lark import Lark, Token, Transformer, UnexpectedInput, v_args

from voicelog.values import VoicelogError

_SYNTAX = r"""
file: header grammar_name import_rule* rule*
header: "#JSGF" HEADER_REST
HEADER_REST: /[^;\n]*;/
grammar_name: "grammar" NAME ";"
import_rule: "import" REFERENCE ";"
rule: [PUBLIC] REFERENCE "=" alternatives ";"
PUBLIC.2: /public(?=\s*<)/
alternatives: weighted ("|" weighted)*
weighted: [WEIGHT] sequence
sequence: item+
item: base [REPEAT] TAG*
?base: REFERENCE -> reference
     | TOKEN -> token
     | QUOTED -> quoted
     | "(" alternatives ")" -> group
     | "[" alternatives "]" -> option
REPEAT: "*" | "+"
WEIGHT: /\/\s*[0-9]*\.?[0-9]+([eE][-+]?[0-9]+)?\s*\//
REFERENCE: /<[^<>\s]+>/
TAG: /\{(\\.|[^}\\])*\}/
QUOTED: /"(\\.|[^"\\\n])+"/
TOKEN: /[^\s;=|*+<>()\[\]{}\/"#]+/
NAME: /[^\s;=|*+<>()\[\]{}\/"]+/
COMMENT: /\/\/[^\n]*/ | /\/\*(.|\n)*?\*\//
%ignore COMMENT
%ignore /\s+/
"""


@dataclass(frozen=True, slots=True)
class Literal:
    """A word to be said; lower case, as the pronunciation dictionaries have it."""

    word: str


@dataclass(frozen=True, slots=True)
class Reference:
    """A rule by its name, without the angle brackets."""

    name: str
    line: int
    column: int


@dataclass(frozen=True, slots=True)
class Sequence:
    items: tuple[Expansion, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """Alternatives with their weights (1.0 where none is written)."""

    options: tuple[Expansion, ...]
    weights: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Repeat:
    """`inner` at least `least` times (0 or 1); `[x]` is a Choice of x and nothing."""

    inner: Expansion
    least: int


@dataclass(frozen=True, slots=True)
class Tagged:
    inner: Expansion
    tags: tuple[str, ...]


Expansion = Literal | Reference | Sequence | Choice | Repeat | Tagged
NOTHING = Sequence(())


@dataclass(frozen=True, slots=True)
class Rule:
    name: str
    public: bool
    expansion: Expansion
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class GrammarFile:
    """One file: its grammar name, what it imports, and its rules by name."""

    name: str
    imports: tuple[Reference, ...]
    rules: dict[str, Rule] = field(default_factory=dict)

    @property
    def public(self) -> tuple[str, ...]:
        return tuple(rule.name for rule in self.rules.values() if rule.public)


def _unescape(text: str) -> str:
    return re.sub(r"\\(.)", r"\1", text)


@v_args(inline=True)
class _Build(Transformer):  # type: ignore[type-arg]
    def __init__(self, file: str) -> None:
        super().__init__()
        self._file = file

    def header(self, rest: Token) -> None:
        if not re.match(r"\s*V1\.0(\s|;)", rest):
            raise VoicelogError(f"{self._file}:1:1: the first line must read “#JSGF V1.0;”")

    def grammar_name(self, name: Token) -> str:
        return str(name)

    def import_rule(self, name: Token) -> Reference:
        return self._reference(name)

    def _reference(self, name: Token) -> Reference:
        return Reference(str(name)[1:-1], name.line or 0, name.column or 0)

    def reference(self, name: Token) -> Expansion:
        return NOTHING if name == "<NULL>" else self._reference(name)

    def token(self, word: Token) -> Expansion:
        return Literal(str(word).lower())

    def quoted(self, text: Token) -> Expansion:
        words = _unescape(str(text)[1:-1]).lower().split()
        return Sequence(tuple(Literal(word) for word in words))

    def group(self, inner: Expansion) -> Expansion:
        return inner

    def option(self, inner: Expansion) -> Expansion:
        return Choice((inner, NOTHING), (1.0, 1.0))

    def item(self, base: Expansion, repeat: Token | None, *tags: Token) -> Expansion:
        if repeat is not None:
            base = Repeat(base, 1 if repeat == "+" else 0)
        return Tagged(base, tuple(_unescape(str(tag)[1:-1]).strip() for tag in tags)) if tags else base

    def sequence(self, *items: Expansion) -> Expansion:
        return items[0] if len(items) == 1 else Sequence(items)

    def weighted(self, weight: Token | None, inner: Expansion) -> tuple[float, Expansion]:
        return (1.0 if weight is None else float(weight.strip("/ \t")), inner)

    def alternatives(self, *options: tuple[float, Expansion]) -> Expansion:
        if len(options) == 1:
            return options[0][1]
        return Choice(tuple(inner for _, inner in options), tuple(weight for weight, _ in options))

    def rule(self, public: Token | None, name: Token, expansion: Expansion) -> Rule:
        return Rule(str(name)[1:-1], public is not None, expansion, self._file, name.line or 0)

    def file(self, _header: None, name: str, *rest: Reference | Rule) -> GrammarFile:
        imports = tuple(part for part in rest if isinstance(part, Reference))
        rules: dict[str, Rule] = {}
        for part in rest:
            if isinstance(part, Rule):
                if part.name in rules:
                    first = rules[part.name].line
                    raise VoicelogError(
                        f"{self._file}:{part.line}:1: <{part.name}> is already defined in line {first}; "
                        "join the two with |"
                    )
                rules[part.name] = part
        return GrammarFile(name, imports, rules)


@cache
def _reader() -> Lark:
    return Lark(_SYNTAX, start="file", parser="lalr", lexer="contextual", propagate_positions=False)


def parse_jsgf(text: str, file: str = "grammar") -> GrammarFile:
    """Read one JSGF text.

    `file` names it in errors. Raises VoicelogError as `file:line:column: what is
    wrong`.
    """
    from lark.exceptions import VisitError

    try:
        tree = _reader().parse(text.removeprefix("\ufeff"))
    except UnexpectedInput as wrong:
        line, column = max(wrong.line, 1), max(wrong.column, 1)
        shown = text.splitlines()[line - 1].strip()[:60] if text.splitlines()[line - 1 : line] else ""
        raise VoicelogError(
            f"{file}:{line}:{column}: this is not JSGF near “{shown}”; mend the rule there "
            "(a rule reads “<name> = words | words;”)"
        ) from None
    try:
        parsed: GrammarFile = _Build(file).transform(tree)
    except VisitError as wrong:
        if isinstance(wrong.orig_exc, VoicelogError):
            raise wrong.orig_exc from None
        raise
    return parsed


def load_jsgf(path: Path) -> GrammarFile:
    """Read one JSGF file (UTF-8). Raises VoicelogError with file, line and column."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as wrong:
        raise VoicelogError(f"{path}: cannot be read ({wrong.strerror}); give a folder of .gram files") from None
    except UnicodeDecodeError as wrong:
        line = wrong.object[: wrong.start].count(b"\n") + 1
        raise VoicelogError(f"{path}:{line}:1: is not UTF-8; save the file as UTF-8") from None
    return parse_jsgf(text, str(path))


def references(expansion: Expansion) -> Iterator[Reference]:
    """Every rule that an expansion refers to, in order of appearance."""
    match expansion:
        case Reference():
            yield expansion
        case Sequence(items):
            for item in items:
                yield from references(item)
        case Choice(options, _):
            for option in options:
                yield from references(option)
        case Repeat(inner, _) | Tagged(inner, _):
            yield from references(inner)
        case Literal():
            pass
