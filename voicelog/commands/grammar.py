"""`voicelog grammar`."""

from __future__ import annotations

import json
from dataclasses import asdict
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import click

from voicelog.commands.options import ROSTER, vocabulary
from voicelog.commands.written import spare, written
from voicelog.values import VoicelogError
from voicelog.wiring import instead_of_setting, open_grammars, settings_now

if TYPE_CHECKING:
    from voicelog.grammar.alike import AlikePair
    from voicelog.grammar.audit import Audit
    from voicelog.grammar.word_file import Words

USUAL_PEN = "1-40"


@click.group()
def grammar() -> None:
    """Look after the words that are listened for.

    Example: voicelog grammar check --roster 1-40
    """


@grammar.command()
@ROSTER
@click.option(
    "--grammars",
    type=click.Path(path_type=Path),
    expose_value=False,
    callback=instead_of_setting,
    help="A folder of .gram files.",
)
@vocabulary
@click.option("--json", "as_json", is_flag=True, help="The whole report as one JSON object.")
def check(roster: str | None, as_json: bool) -> None:
    """List words and bands that sound alike, what to say instead, and words without a pronunciation.

    A distance runs from 0 (the same sounds) to 1 (none in common).

    Example: voicelog grammar check --roster 1-40 --yard yard.toml
    """
    from voicelog.grammar import parse_roster
    from voicelog.grammar.audit import audit

    bands = parse_roster(roster or USUAL_PEN)
    found = audit(open_grammars(settings_now()), bands)
    if as_json:
        click.echo(json.dumps(asdict(found), ensure_ascii=False))
    else:
        _tell(found, roster or f"{USUAL_PEN} (name your own with --roster)")


@grammar.command()
@click.argument("calls", type=click.Path(path_type=Path))
@written("--out", required=True, help="Write the phone costs here.")
def confusions(calls: Path, out: Path) -> None:
    """Measure which phones are taken for which: the costs behind every distance.

    CALLS has one JSON object a line with "file" (beside CALLS) and "said" (English
    words), as audio_fixtures/calls.jsonl has.

    Example: voicelog grammar confusions audio_fixtures/calls.jsonl --out confusion.json
    """
    import numpy as np
    from rich.progress import track

    from voicelog.audio import read_sound
    from voicelog.grammar import Sounds
    from voicelog.grammar.confusion import estimate
    from voicelog.hearing.free_phones import free_phones

    sounds, pairs = Sounds(), []
    recorded = _recorded(calls)
    spare(out, inputs=[file for file, _ in recorded])
    for file, said in track(recorded, description="hearing phones", transient=True):
        unknown = [word for word in said if not sounds.ways(word)]
        if unknown:
            raise VoicelogError(f"{calls}: no pronunciation is known for “{unknown[0]}”; leave that line out")
        phones = [phone for word in said for phone in sounds.ways(word)[0]]
        pairs.append((phones, free_phones(np.concatenate([np.zeros(0, np.int16), *read_sound(file)]))))
    count = sum(len(phones) for phones, _ in pairs)
    basis = f"{len(pairs)} calls, {count} phones, through PocketSphinx's free phone loop, over articulatory features"
    try:
        out.write_text(estimate(pairs, basis).as_json(), encoding="utf-8")
    except OSError as wrong:
        raise VoicelogError(f"{out}: cannot be written ({wrong.strerror}); name another file with --out") from None
    click.echo(f"{out}: {basis}")


def _recorded(calls: Path) -> list[tuple[Path, list[str]]]:
    try:
        lines = calls.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as wrong:
        raise VoicelogError(f"{calls}: cannot be read ({wrong}); give a file of JSON lines") from None
    found = []
    for number, line in enumerate(lines, 1):
        try:
            read = json.loads(line)
            found.append((calls.parent / read["file"], str(read["said"]).lower().split()))
        except (ValueError, KeyError, TypeError):
            raise VoicelogError(
                f'{calls}:{number}:1: is no JSON object with "file" and "said"; mend that line'
            ) from None
    if not found:
        raise VoicelogError(f"{calls}: holds no calls; give one JSON object a line")
    return found


def _tell(found: Audit, roster: str) -> None:
    click.echo("Words that can stand in the same place:")
    for pair in found.vocabulary:
        a, b = (" ".join(words) for words in pair.words)
        said = f"“{' '.join(pair.example)}” or “{' '.join(pair.instead)}”"
        click.echo(f"  {pair.distance:.2f}  {a} / {b:<{max(1, 24 - len(a))}}  {said}")
        if pair.better:
            meant, say, distance = pair.better
            click.echo(f"        say “{' '.join(say)}” for “{' '.join(meant)}”: {distance:.2f}")
    if not found.vocabulary:
        click.echo("  none")
    if found.taken_for:
        click.echo("\nHeard in trials for something else, so always asked about; to be spared that, use other words:")
    _tell_misheard(found.taken_for, found.hissed)
    if found.yard_taken_for:
        click.echo("\nAlways asked about, as the yard file says:")
    _tell_misheard(found.yard_taken_for, found.hissed)
    if found.yard_sounds_like:
        click.echo("\nAsked about where not heard surely, as the yard file says:")
    for one, other in found.yard_sounds_like:
        click.echo(f"  “{' '.join(one)}” sounds like “{' '.join(other)}”")
    if found.never_asked:
        click.echo("\nNamed in a file but never asked about, for they mean the same, or another weight only:")
    for one, other in found.never_asked:
        click.echo(f"  “{' '.join(one)}” and “{' '.join(other)}”")
    click.echo(f"\nBands {roster} that sound alike:")
    for (a, b), pairs in groupby(sorted(found.roster, key=_pieces), key=lambda pair: _pieces(pair)[1:]):
        _tell_bands(a, b, list(pairs))
    if not found.roster:
        click.echo("  none")
    asked = any(pair.asked for pair in found.roster)
    if asked:
        click.echo("  “asked”: said so, the handler is asked each time; said digit by digit (“one five”), not.")
        click.echo("  Weights are not asked about for this: they are read back digit by digit.")
    if found.roster and found.free_bands:
        click.echo(f"  free numbers that sound like none of these: {', '.join(map(str, found.free_bands))}")
    if found.unspoken:
        click.echo(f"\nNo pronunciation is known for: {', '.join(found.unspoken)}")
        click.echo(f'  Add each to the yard file under [pronunciations], as in {found.unspoken[0]} = "K W EY L".')
    click.echo(f"\nDistances rest on {found.basis}.")


def _tell_misheard(pairs: tuple[tuple[Words, Words], ...], hissed: tuple[tuple[Words, Words], ...]) -> None:
    for heard, said in pairs:
        but = ", unless its s is heard in the sound itself" if (heard, said) in hissed else ""
        click.echo(f"  “{' '.join(heard)}” where “{' '.join(said)}” was said{but}")


def _pieces(pair: AlikePair) -> tuple[float, str, str]:
    a, b = sorted(" ".join(words) for words in pair.pieces)
    return pair.distance, a, b


def _tell_bands(a: str, b: str, pairs: list[AlikePair]) -> None:
    bands = ", ".join(f"{low}/{high}" for low, high in (pair.bands for pair in pairs))
    mark = "  asked" if pairs[0].asked else ""
    click.echo(f"  {pairs[0].distance:.2f}  {a} / {b:<{max(1, 24 - len(a))}}  {bands}{mark}")
