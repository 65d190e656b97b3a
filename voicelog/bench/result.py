"""What a system made of one trial, and the file that keeps it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from voicelog.values import Verdict, VoicelogError


class Result(BaseModel):
    """One trial through one system.

    `heard_right`: the words heard mean what was said. `record_right`: so does the record that was
    written, or that yes would write. `certainty` runs from 0 to 1, as the system gives it.
    `compute_s` is processor time, `audio_s` the length of the sound, both in seconds.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    system: str
    key: str
    voice: str
    noise: str
    snr_db: float | None
    room: str
    roster: str
    said: str
    heard: str
    verdict: Verdict
    reason: str
    heard_right: bool
    record_right: bool
    certainty: float = Field(ge=0, le=1)
    audio_s: float
    compute_s: float

    @property
    def silent_error(self) -> bool:
        """Accepted, and not what was said."""
        return self.verdict is Verdict.ACCEPT and not self.record_right


class _Header(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    made_with: str


def read_results(path: Path, made_with: str) -> list[Result]:
    """The results of a file, none where there is no file yet; a line that a kill cut short is left out.

    Raises VoicelogError for a file that cannot be read, is none of this, or was made with other code or settings.
    """
    try:
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        whole = text[: text.rfind("\n") + 1]
        lines = whole.splitlines()
        if lines and _Header.model_validate_json(lines[0]).made_with != made_with:
            raise VoicelogError(f"{path}: was made with other code or settings; name another file with --results")
        return [Result.model_validate_json(line) for line in lines[1:]]
    except (OSError, UnicodeDecodeError, ValidationError) as wrong:
        what = "holds no results of this benchmark" if isinstance(wrong, ValueError) else wrong.strerror
        raise VoicelogError(f"{path}: {what}; remove it or name another file with --results") from wrong


class ResultsFile:
    """A file of results, one JSON object a line behind a line that says what they were made with.

    Raises VoicelogError as `read_results`, or where the file cannot be written.
    """

    def __init__(self, path: Path, made_with: str) -> None:
        self.results = read_results(path, made_with)
        lines = [_Header(made_with=made_with), *self.results]
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            # Written anew, so that what a kill cut short does not stay in the middle.
            half = path.with_name(path.name + ".half")
            half.write_text("".join(line.model_dump_json() + "\n" for line in lines), encoding="utf-8")
            half.replace(path)
            self._file: TextIO = path.open("a", encoding="utf-8")
        except OSError as wrong:
            raise VoicelogError(f"{path}: {wrong.strerror}; name another file with --results") from wrong

    def add(self, result: Result) -> None:
        self.results.append(result)
        self._file.write(result.model_dump_json() + "\n")
        self._file.flush()

    def __enter__(self) -> ResultsFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __iter__(self) -> Iterator[Result]:
        return iter(self.results)
