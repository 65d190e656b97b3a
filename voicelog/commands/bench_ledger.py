"""`voicelog bench ledger`: how the ledger scales. Not a test: figures differ by disk and machine."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import date
from pathlib import Path

import click

from voicelog.values import VoicelogError
from voicelog.wiring import check_plans, settings_now

SIZES = "10000,100000,1000000"


@click.command()
@click.option("--events", default=SIZES, show_default=True, help="Sizes of the made-up ledgers, in events.")
@click.option("--appends", type=click.IntRange(100), default=1000, show_default=True, help="Appends that are timed.")
@click.option("--folder", type=click.Path(path_type=Path), default=Path(), help="On the disk to be measured.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line for every size.")
def ledger(events: str, appends: int, folder: Path, as_json: bool) -> None:
    """Time a made-up yard's ledger: append beside the disk's own fsync, due, bird, rebuild, and its size.

    Example: voicelog bench ledger --events 10000,100000
    """
    from voicelog.bench.ledger import measure
    from voicelog.flock import bird_history, due, yard_now
    from voicelog.ledger import Ledger

    if not folder.is_dir():
        raise VoicelogError(f"there is no folder {folder}: make it, or name another")
    try:
        sizes = [int(size) for size in events.split(",")]
    except ValueError:
        raise VoicelogError(f"“{events}” are no sizes; write numbers of events, such as {SIZES}") from None
    if min(sizes) < 1000:
        raise VoicelogError("a ledger of less than 1000 events says nothing of how it scales; name larger sizes")
    plans = check_plans(settings_now())

    def ask_due(book: Ledger, on: date) -> object:
        return due(yard_now(book), plans, on)

    for size in sizes:
        found = measure(folder, size, ask_due, bird_history, appends)
        if as_json:
            click.echo(json.dumps(asdict(found)))
            continue
        click.echo(
            f"{found.events} events, {found.birds} birds: {found.bytes / found.events:.0f} bytes an event\n"
            f"  append   {found.append_p50_s * 1000:.1f} ms p50, {found.append_p99_s * 1000:.1f} ms p99, "
            f"{found.append_max_s * 1000:.1f} ms at most; "
            f"bare fsync {found.fsync_p50_s * 1000:.1f} and {found.fsync_p99_s * 1000:.1f} ms; "
            f"processor {found.append_cpu_s * 1000:.1f} and {found.append_cpu_p99_s * 1000:.1f} ms; "
            f"{found.append_bytes / 1024:.0f} kB to the log\n"
            f"  open     {found.open_s:.2f} s\n"
            f"  due      {found.due_s:.3f} s; processor {found.due_cpu_s:.3f} s\n"
            f"  bird     {found.bird_s * 1000:.1f} ms, the slowest of 20; processor {found.bird_cpu_s * 1000:.1f} ms\n"
            f"  rebuild  {found.rebuild_s:.2f} s, {found.events / found.rebuild_s:.0f} events/s; "
            f"processor {found.rebuild_cpu_s:.2f} s, {found.events / found.rebuild_cpu_s:.0f} events/s"
        )
