"""The figures as lines for the terminal and as JSON."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from voicelog.bench.result import Result
from voicelog.bench.score import Share, grouped, reliability, score
from voicelog.bench.voices import voice_named


def ratio_name(snr_db: float | None) -> str:
    return "clean" if snr_db is None else f"{snr_db:g} dB"


def natural(result: Result) -> bool:
    """Whether its voice sounds like a person."""
    return voice_named(result.voice).kind == "natural"


def table(results: Sequence[Result]) -> Iterator[str]:
    """Lines by system, roster, voices and ratio. `results` hold at least one."""
    yield (
        f"{'system':7}{'live':5}{'voices':9}{'ratio':7}{'calls':>6}  {'right':21}{'asked (right, by rule)':>23}"
        f"{'rejected':>10}  {'silent errors':23}{'RTF':>6}{'s/call':>8}"
    )
    for (system, roster), alike in grouped(results, lambda r: (r.system, r.roster)).items():
        persons = [result for result in alike if natural(result)]
        for voices, chosen in (("all", alike), ("natural", persons)):
            if not chosen or (voices == "natural" and len(persons) == len(alike)):
                continue
            by_ratio = grouped(chosen, lambda r: ratio_name(r.snr_db))
            for ratio, some in [*by_ratio.items(), *([("every", chosen)] if len(by_ratio) > 1 else [])]:
                got = score(some)
                yield (
                    f"{system:7}{roster:5}{voices:9}{ratio:7}{len(some):6}  {_percent(got.right):21}"
                    f"{f'{got.asked.count} ({got.asked_right}, {got.asked_by_rule})':>23}{got.rejected.count:10}  "
                    f"{f'{got.silent.count}: {_percent(got.silent)}':23}"
                    f"{got.real_time_factor:6.2f}{got.compute_s:8.2f}"
                )
    yield ""
    for system, some in grouped(results, lambda r: r.system).items():
        told = reliability(some)
        if told:
            yield (
                f"{system}: certainty against outcome, {told.calls} calls: Brier score {told.brier:.3f} "
                f"(the overall share every time: {told.base_brier:.3f}), calibration error {told.calibration_error:.3f}"
            )


def as_json(results: Sequence[Result], run: dict[str, Any]) -> dict[str, Any]:
    """Every cell, its margins and reliability; `run` says what was asked for."""

    def rows(*names: str, only: Callable[[Result], bool] = lambda _: True) -> list[dict[str, Any]]:
        groups = grouped(filter(only, results), lambda r: tuple(getattr(r, name) for name in names))
        return [
            {**dict(zip(names, group, strict=True)), "calls": len(some), **score(some).model_dump()}
            for group, some in groups.items()
        ]

    calibration = {}
    for system, some in grouped(results, lambda r: r.system).items():
        told = reliability(some)
        calibration[system] = told.model_dump() if told else None
    alike = ("system", "roster")
    return {
        "run": run,
        "cells": rows(*alike, "voice", "noise", "snr_db", "room"),
        "by_ratio": rows(*alike, "snr_db"),
        "by_ratio_natural_voices": rows(*alike, "snr_db", only=natural),
        "by_voice": rows(*alike, "voice", "snr_db"),
        "by_noise": rows(*alike, "noise", "snr_db"),
        "whole": rows(*alike),
        "reliability": calibration,
        "silent_errors": [result.model_dump(mode="json") for result in results if result.silent_error],
    }


def _percent(part: Share) -> str:
    return f"{100 * part.share:.1f} % ({100 * part.low:.1f}-{100 * part.high:.1f})"
