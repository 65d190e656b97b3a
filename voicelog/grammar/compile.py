"""From grammar files and a roster to what is listened for and what it means."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, lru_cache
from itertools import takewhile
from pathlib import Path

from voicelog.grammar.jsgf import (
    Choice,
    Expansion,
    GrammarFile,
    Literal,
    Reference,
    Repeat,
    Rule,
    Tagged,
    load_jsgf,
    references,
)
from voicelog.grammar.jsgf import Sequence as InOrder
from voicelog.grammar.meaning import NUMBER_TAGS, meaning_of, number_of
from voicelog.grammar.merge import NUMBER, tags_in, with_yard, words_in
from voicelog.grammar.misheard import MISHEARD_NAME, Misheard, load_misheard
from voicelog.grammar.network import Network, either, minimal, only, without_blind_alleys
from voicelog.grammar.pronounce import DICTIONARY_NAME, Phones, Sounds, english, no_dictionary, read_dictionary
from voicelog.grammar.utterance import CallSaid, NotUnderstood, Utterance
from voicelog.grammar.yard import Yard
from voicelog.values import Call, VoicelogError

TOP_RULE = "listen"
ANSWER = "answer"
CHOICE = "choose"
"""The grammar of answers to a question that names two readings."""
BAND_RULE = "band_number"
SAID_ONCE = frozenset(("sex", "weight", "condition"))
"""Slots that the network allows once; the parser refuses any twice. Every slot more makes the network, and the
time that decoding takes, greater: with the fate too by a fifth, and with the pen by a half."""

VOID = "VOID"
"""The rule of JSGF that can never be said."""

Tags = tuple[str, ...]


@dataclass
class _Paths:
    """A nondeterministic automaton in the making: word arcs, and silent arcs that carry tags."""

    said: list[list[tuple[str, int]]] = field(default_factory=list)
    silent: list[list[tuple[Tags, int]]] = field(default_factory=list)

    def state(self) -> int:
        self.said.append([])
        self.silent.append([])
        return len(self.said) - 1

    def closure(self, threads: Iterable[tuple[int, Tags]]) -> dict[tuple[int, Tags], None]:
        """All that is reached without a word, each with the tags met on the way, in order."""
        reached = dict.fromkeys(threads)
        todo = list(reached)
        while todo:
            state, tags = todo.pop()
            for more, to in self.silent[state]:
                # A silent loop with a tag inside would never end; one round of it says all there is.
                thread = (to, tags + more)
                if thread not in reached and len(thread[1]) <= _MOST_TAGS:
                    reached[thread] = None
                    todo.append(thread)
        return reached


_MOST_TAGS = 200


@dataclass(frozen=True, slots=True)
class Numeral:
    """A number in figures, such as 14 or 410.5; `by_digit` where it was given digit by digit, and can be no other."""

    text: str
    by_digit: bool = False


_NUMERAL = "numeral"
"""The tag that stands for a number in figures among the tags of a reading."""


@dataclass(frozen=True, eq=False)
class Grammar:
    """What one dialogue state listens for: the network of words, and their meaning."""

    name: str
    _wording: Network
    _paths: _Paths
    _start: int
    _end: int
    _else: Grammar | None = None
    """Where to look for the meaning of words that are none here."""
    _misheard: Misheard = field(default_factory=Misheard)

    @cached_property
    def network(self) -> Network:
        return replace(self._wording, meaning=self.understand, misheard=self._misheard)

    def readings(self, words: Sequence[str]) -> tuple[Tags, ...]:
        """Every way to read a whole utterance, as the tags met on the way."""
        threads = self._paths.closure([(self._start, ())])
        for word in words:
            threads = self._paths.closure(
                (to, tags) for state, tags in threads for said, to in self._paths.said[state] if said == word
            )
        return tuple(dict.fromkeys(tags for state, tags in threads if state == self._end))

    def spelled(
        self, said: Sequence[str | Numeral], spellings: Callable[[Numeral], Sequence[Tags]]
    ) -> tuple[tuple[Tags, Utterance], ...]:
        """Every meaning of words among which numbers stand in figures, each with the words of its first reading.

        `spellings` tells the words that say the whole number of a numeral. Every numeral is exactly one number of the
        reading, of which only words may say a fraction besides ("14 and a half"); one with a decimal is a weight.
        """
        threads: dict[tuple[int, Tags], Tags] = dict.fromkeys(self._paths.closure([(self._start, ())]), ())
        for token in said:
            following: dict[tuple[int, Tags], Tags] = {}
            for words in [(token,)] if isinstance(token, str) else spellings(token):
                for (state, tags), so_far in threads.items():
                    for to, more in self._said_on(state, words):
                        met, shown = more, words
                        if isinstance(token, Numeral):
                            rest = _past_number(more, token)
                            if rest is None:
                                continue
                            met = (f"{_NUMERAL} {token.text}", *rest)
                            # A decimal may have no words here: grams are said without one.
                            shown = (token.text,) if "." in token.text else words
                        following.setdefault((to, tags + met), so_far + shown)
            threads = following
        meanings: dict[Utterance, Tags] = {}
        for (state, tags), shown in threads.items():
            if state == self._end and _each_one_number(tags):
                meant = meaning_of(tag.replace(f"{_NUMERAL} ", "plus ") for tag in tags)
                meanings.setdefault(meant, shown)
        if not meanings and self._else is not None:
            return self._else.spelled(said, spellings)
        return tuple((shown, meant) for meant, shown in meanings.items())

    def _said_on(self, state: int, words: Sequence[str]) -> Iterable[tuple[int, Tags]]:
        """Where `words` lead from a state, with the tags met on the way."""
        threads: Iterable[tuple[int, Tags]] = [(state, ())]
        for word in words:
            threads = self._paths.closure(
                (to, tags) for at, tags in threads for heard, to in self._paths.said[at] if heard == word
            )
        return threads

    def sentences(self) -> Iterator[tuple[Tags, Tags]]:
        """Every utterance with the tags of each of its readings. The grammar has no repetition, or this never ends."""
        todo: list[tuple[int, Tags, Tags]] = [(self._start, (), ())]
        while todo:
            state, words, tags = todo.pop()
            if state == self._end:
                yield words, tags
            todo += [(to, (*words, word), tags) for word, to in reversed(self._paths.said[state])]
            todo += [(to, words, tags + more) for more, to in reversed(self._paths.silent[state])]

    @cached_property
    def answers(self) -> list[tuple[Tags, tuple[str, object] | None]]:
        """Every utterance that says one slot of a call, with that slot and its value, or something else than a call."""
        found: list[tuple[Tags, tuple[str, object] | None]] = []
        for words, tags in self.sentences():
            match meaning_of(tags):
                case CallSaid(call=call):
                    said = call.model_dump(exclude_none=True)
                    found += [(words, part) for part in said.items() if len(said) == 1]
                case NotUnderstood():
                    pass
                case _:
                    found.append((words, None))
        return found

    def understand(self, words: Sequence[str]) -> Utterance:
        """The utterance that `words` make.

        Never raises: words that are no utterance, or could be two, come back as
        `NotUnderstood` with the reason.
        """
        if not words:
            return NotUnderstood(why="nothing was heard")
        meanings = list(dict.fromkeys(meaning_of(tags) for tags in self.readings(words)))
        if len(meanings) > 1:
            # A slot said twice is no reading where another reading makes sense of the words.
            meanings = [m for m in meanings if m.kind != "nothing"] or meanings[:1]
        if len(meanings) > 1:
            return NotUnderstood(why="the words could mean two things")
        if meanings:
            return meanings[0]
        if self._else is not None:
            return self._else.understand(words)
        if self.network.walk(words) is not None:
            return NotUnderstood(why="the call was cut short")
        return NotUnderstood(why="the words are no call")


class Grammars:
    """A folder of grammar files, read once; `compile` turns one of them into a `Grammar`."""

    def __init__(self, folder: Path, yard: Yard | None = None, english_misheard: Path | None = None) -> None:
        """Reads every `.gram` file of `folder`, and lays the words of `yard` into them.

        `english_misheard` is the file of misheard words for a folder that has neither its own
        nor a dictionary, so English words: of its pairs those count whose words the folder has.

        Raises VoicelogError (file, line, column).
        """
        if not folder.is_dir():
            raise VoicelogError(f"{folder}: no such folder; give a folder of .gram files")
        self.files: dict[str, GrammarFile] = {}
        for path in sorted(folder.glob("*.gram")):
            file = load_jsgf(path)
            self.files[file.name] = file
        if not self.files:
            raise VoicelogError(f"{folder}: holds no .gram file; give the folder of the grammars")
        for file in self.files.values():
            for rule in file.rules.values():
                for reference in references(rule.expansion):
                    if reference.name != VOID:
                        self._resolve(file, rule, reference)
        self.yard = Yard() if yard is None else yard
        self.files = with_yard(self.files, self.yard)
        listed = folder / DICTIONARY_NAME
        self._own_language = listed.is_file()
        self._listed = read_dictionary(listed) if self._own_language else {}
        own_misheard = folder / MISHEARD_NAME
        self.misheard = self._load_misheard(own_misheard, english_misheard)
        self._named_here = self.yard.misheard
        # That every phrase of the shipped file can be said is tested, and to see to it anew costs each command
        # 0.2 s. Where the shipped file stands in for a folder's own, what cannot be said there does no harm.
        if own_misheard.exists() and own_misheard != english_misheard:
            self._named_here = self.all_misheard
        self.yard.misheard.must_be_of(self.words)

    def _load_misheard(self, own: Path, english: Path | None) -> Misheard:
        if own.exists():
            found = load_misheard(own)
            found.must_be_of(self.words)
            return found
        if english is None or self._own_language:
            return Misheard()
        return load_misheard(english).within(self.words)

    @cached_property
    def words(self) -> frozenset[str]:
        """Every word of every grammar, the yard's among them."""
        rules = (rule for file in self.files.values() for rule in file.rules.values())
        return frozenset().union(*(words_in(rule.expansion) for rule in rules))

    @cached_property
    def all_misheard(self) -> Misheard:
        """What is heard for something else, by the vocabulary's file and the yard file."""
        return self.misheard.and_also(self.yard.misheard)

    @property
    def pronunciations(self) -> Mapping[str, tuple[Phones, ...]]:
        """The words whose pronunciation the folder or the yard file gives."""
        return {**self._listed, **self.yard.pronunciations}

    @cached_property
    def sounds(self) -> Sounds:
        """How the words sound. A folder with its own dictionary has no use for the English one."""
        return Sounds(self.pronunciations, no_dictionary if self._own_language else english)

    @cached_property
    def digits(self) -> Mapping[str, str]:
        """The word to write for each numeral from "0" to "9": the first that the grammars tag as that digit."""
        found: dict[str, str] = {}
        for tag, inner in self.tags():
            if isinstance(inner, Literal) and tag.startswith("digit "):
                found.setdefault(tag.removeprefix("digit "), inner.word)
        return found

    @cached_property
    def number_words(self) -> frozenset[str]:
        """The words that make numbers."""
        return frozenset(
            word for tag, inner in self.tags() if tag.partition(" ")[0] in NUMBER_TAGS for word in words_in(inner)
        )

    @cached_property
    def figures(self) -> Mapping[str, str]:
        """The numeral from "0" to "9" for each word that the grammars tag as a digit."""
        return {
            word: tag.removeprefix("digit ")
            for tag, inner in self.tags()
            if tag.startswith("digit ")
            for word in words_in(inner)
        }

    @cached_property
    def units(self) -> Mapping[str, str]:
        """The word that says each unit of weight, by its tag: the longest that the grammars have for it."""
        said = {tag: words_in(inner) for tag, inner in self.tags() if tag.startswith("weight ")}
        return {tag: max(sorted(words), key=len) for tag, words in said.items()}

    @cached_property
    def weighty_words(self) -> frozenset[str]:
        """The words that are never taken for what was typed without asking: numbers, sexes, conditions and fates."""
        kinds = frozenset(("sex", "condition", "fate"))
        said = (words_in(inner) for tag, inner in self.tags() if tag.partition(" ")[0] in kinds)
        return self.number_words.union(*said)

    def spellings(self, numeral: Numeral) -> Sequence[Tags]:
        """The words that say the whole number of a numeral, digit by digit first."""
        whole = numeral.text.partition(".")[0]
        by_digit = tuple(self.digits.get(figure, figure) for figure in whole)
        if numeral.by_digit or whole.startswith("0") or len(whole) > _LONGEST_NUMERAL:
            return (by_digit,)
        number = int(whole)
        return tuple(dict.fromkeys((by_digit, *self.band_wordings([number]).get(number, ()))))

    def check_named(self, name: str) -> None:
        """Raises VoicelogError, with its place, for a word of the yard file that could mean two things in `name`, and
        for misheard words, of the yard file or the folder's own, that no grammar lets follow one another."""
        for addition in (*self.yard.pens, *self.yard.colours):
            if self.number_words.intersection(addition.words) or addition.value == NUMBER:
                raise VoicelogError(f"{addition.place}: “{addition.value}” is or holds a number; use a name")
        for addition in self.yard.values:
            meanings = {meaning_of(tags) for tags in self.compile(name, (1,)).readings(addition.words)}
            if len(meanings) > 1:
                raise VoicelogError(
                    f"{addition.place}: “{' '.join(addition.words)}” would mean two things; use another word"
                )
        for pair in self._named_here.pairs:
            for words, place in pair.phrases:
                if len(words) > 1 and not self._holds(words):
                    raise VoicelogError(
                        f"{place}: “{' '.join(words)}” is never said in this order; name words that a call may hold"
                    )

    def _holds(self, words: Sequence[str]) -> bool:
        return any(self.compile(name).network.holds(words) for name in self.listening)

    @property
    def listening(self) -> tuple[str, ...]:
        """The names of the grammars that can be listened for."""
        return tuple(name for name, file in self.files.items() if TOP_RULE in file.rules)

    def band_wordings(self, roster: Iterable[int]) -> dict[int, Sequence[Tags]]:
        """Every way to say each band of a roster; a band that no grammar can say is left out."""
        home = next((name for name, file in self.files.items() if BAND_RULE in file.rules), None)
        wordings = {} if home is None else self._wordings(home)
        return {band: wordings[band] for band in roster if band in wordings}

    def tags(self) -> Iterator[tuple[str, Expansion]]:
        """Every tag of every rule, with what it is the tag of."""
        for file in self.files.values():
            for rule in file.rules.values():
                yield from tags_in(rule.expansion)

    def _resolve(self, file: GrammarFile, rule: Rule, reference: Reference) -> tuple[GrammarFile, Rule]:
        """The rule meant by a reference: of the file itself, else of what it imports (JSGF 4.3, 4.4)."""
        grammar, _, name = reference.name.rpartition(".")
        if not grammar and name in file.rules:
            return file, file.rules[name]
        for imported in file.imports:
            source, _, wanted = imported.name.rpartition(".")
            if wanted in (name, "*") and grammar in ("", source) and source in self.files:
                found = self.files[source].rules.get(name)
                if found is not None and found.public:
                    return self.files[source], found
        raise VoicelogError(
            f"{rule.file}:{reference.line}:{reference.column}: <{reference.name}> is not defined; "
            "define it, or import a public rule of that name"
        )

    def compile(self, name: str, roster: Iterable[int] = ()) -> Grammar:
        """The grammar `name` with the bands of `roster` (every band, where it is empty).

        Raises VoicelogError where there is no such grammar or it has no `<listen>`.
        """
        return self._compile(name, frozenset(roster))

    def choose(self, readings: Sequence[Call], roster: Iterable[int]) -> Grammar:
        """What answers a question that names some readings: their bands and their parts alone, of the
        grammar `choose` where there is one, and all that answers any question."""
        answer = self.compile(ANSWER, roster)
        if CHOICE not in self.files:
            return answer
        choice = self.compile(CHOICE, roster)
        wanted: set[tuple[str, object]] = set()
        for call in readings:
            wanted |= call.model_dump(exclude_none=True).items()
        return self._choose(choice, answer, frozenset(wanted))

    # The same network again for the same question: ears that are ready for it must not begin anew.
    @lru_cache(maxsize=4)  # noqa: B019 - as above
    def _choose(self, choice: Grammar, answer: Grammar, wanted: frozenset[tuple[str, object]]) -> Grammar:
        said = only(words for words, says in choice.answers if says is None or says in wanted)
        return replace(choice, _wording=either(said, answer.network), _else=answer)

    @lru_cache(maxsize=16)  # noqa: B019 - one Grammars lives as long as the program
    def _compile(self, name: str, roster: frozenset[int]) -> Grammar:
        file = self.files.get(name)
        if file is None or TOP_RULE not in file.rules:
            raise VoicelogError(f"there is no grammar “{name}” with a rule <{TOP_RULE}>; add it to the grammars")
        return self._build(name, file, file.rules[TOP_RULE], roster)

    def _build(self, name: str, file: GrammarFile, top: Rule, roster: frozenset[int]) -> Grammar:
        paths = _Paths()
        start, end = paths.state(), paths.state()

        def lay(expansion: Expansion, a: int, b: int, file: GrammarFile, rule: Rule, above: tuple[Rule, ...]) -> None:
            """Adds to `paths` what leads from state a to state b by saying `expansion`."""
            match expansion:
                case Literal(word):
                    paths.said[a].append((word, b))
                case InOrder(items):
                    for item in items:
                        between = paths.state()
                        lay(item, a, between, file, rule, above)
                        a = between
                    paths.silent[a].append(((), b))
                case Choice(options, _):
                    for option in options:
                        lay(option, a, b, file, rule, above)
                case Repeat(inner, least):
                    before, after = paths.state(), paths.state()
                    paths.silent[a].append(((), before))
                    lay(inner, before, after, file, rule, above)
                    paths.silent[after] += [((), before), ((), b)]
                    if least == 0:
                        paths.silent[before].append(((), b))
                case Tagged(inner, tags):
                    between = paths.state()
                    lay(inner, a, between, file, rule, above)
                    paths.silent[between].append((tags, b))
                case Reference():
                    if expansion.name == VOID:
                        return
                    at, found = self._resolve(file, rule, expansion)
                    if found in above:
                        raise VoicelogError(
                            f"{rule.file}:{expansion.line}:{expansion.column}: <{expansion.name}> contains "
                            "itself; write the repetition with * or +"
                        )
                    if roster and found.name == BAND_RULE:
                        self._lay_bands(paths, a, b, roster, self._wordings(at.name))
                    else:
                        lay(found.expansion, a, b, at, found, (*above, found))

        lay(top.expansion, start, end, file, top, (top,))
        return Grammar(name, _determine(paths, start, end), paths, start, end, _misheard=self.all_misheard)

    @staticmethod
    def _lay_bands(
        paths: _Paths, a: int, b: int, roster: frozenset[int], wordings: Mapping[int, Sequence[Tags]]
    ) -> None:
        for band in sorted(roster):
            for words in wordings.get(band, ()):
                at = a
                for word in words:
                    to = paths.state()
                    paths.said[at].append((word, to))
                    at = to
                paths.silent[at].append(((f"plus {band}",), b))

    @lru_cache(maxsize=4)  # noqa: B019
    def _wordings(self, grammar: str) -> Mapping[int, Sequence[Tags]]:
        """Every way to say each band number: the rule `<band_number>`, listed."""
        file = self.files[grammar]
        every = self._build(grammar, file, file.rules[BAND_RULE], frozenset())
        found: dict[int, list[Tags]] = defaultdict(list)
        for words, tags in every.sentences():
            number = number_of(tags)
            if number is not None and number == int(number) and words not in found[int(number)]:
                found[int(number)].append(words)
        return found


_LONGEST_NUMERAL = 4
"""Digits of the greatest number that the grammars can say."""


def _is_number_tag(tag: str) -> bool:
    return tag.partition(" ")[0] in (*NUMBER_TAGS, _NUMERAL)


def _past_number(tags: Tags, numeral: Numeral) -> Tags | None:
    """What follows the number in the tags of its words; None where these tags say another number, none, or two."""
    numbers = tuple(takewhile(_is_number_tag, tags))
    rest = tags[len(numbers) :]
    says = number_of(numbers)
    return None if says != int(numeral.text.partition(".")[0]) or any(map(_is_number_tag, rest)) else rest


def _is_fraction(tag: str) -> bool:
    """Whether a number tag adds a fraction of one; what it does to a number of digits is no such thing."""
    kind, _, amount = tag.partition(" ")
    return kind == "tenth" or (kind == "plus" and 0 < float(amount) < 1)


def _each_one_number(tags: Tags) -> bool:
    """Whether in these tags every numeral is a number of its own, a whole one where it is no weight."""
    for place, tag in enumerate(tags):
        kind, _, figures = tag.partition(" ")
        if kind != _NUMERAL:
            continue
        more = tuple(takewhile(_is_number_tag, tags[place + 1 :]))
        slot = tags[place + 1 + len(more)] if place + 1 + len(more) < len(tags) else ""
        if (place and _is_number_tag(tags[place - 1])) or not all(map(_is_fraction, more)):
            return False
        if "." in figures and (more or not slot.startswith("weight ")):
            return False
    return True


def _determine(paths: _Paths, start: int, end: int) -> Network:
    """Subset construction over the words.

    Of the tags it heeds only that the slots of `SAID_ONCE` are said once: "foam no"
    in noise is otherwise heard as "sell male" behind a sex that was said already, and
    a second voice as one weight after another.
    """

    # A thread is a state and the slots that were said on the way, a bit for each, in one number: sets of such
    # are what nearly all of the time goes into.
    bits = {slot: 1 << place for place, slot in enumerate(sorted(SAID_ONCE))}
    width = len(bits)
    mask = (1 << width) - 1
    silent = [
        [(sum({bits.get(tag.partition(" ")[0], 0) for tag in tags}), to << width) for tags, to in leaving]
        for leaving in paths.silent
    ]

    @cache
    def reach(thread: int) -> frozenset[int]:
        """All that is reached from a thread without a word and from where a word, or the end, may come."""
        seen, todo = {thread}, [thread]
        while todo:
            at = todo.pop()
            said = at & mask
            for slots, to in silent[at >> width]:
                following = to | said | slots
                if not slots & said and following not in seen:
                    seen.add(following)
                    todo.append(following)
        return frozenset(at for at in seen if at >> width == end or paths.said[at >> width])

    first = reach(start << width)
    number = {first: 0}
    arcs: list[dict[str, int]] = [{}]
    todo = [first]
    while todo:
        subset = todo.pop()
        leaving: dict[str, set[int]] = defaultdict(set)
        for at in subset:
            for word, to in paths.said[at >> width]:
                leaving[word] |= reach(to << width | at & mask)
        for word in sorted(leaving):
            target = frozenset(leaving[word])
            if not target:
                continue
            if target not in number:
                number[target] = len(arcs)
                arcs.append({})
                todo.append(target)
            arcs[number[subset]][word] = number[target]
    finals = frozenset(n for subset, n in number.items() if any(at >> width == end for at in subset))
    return minimal(without_blind_alleys(arcs, finals), finals)
