"""Stores that answer whatever they like: nothing runs for ever, nothing they say is logged."""

from __future__ import annotations

import socket
import stat
import threading
from collections.abc import Iterator
from contextlib import suppress
from itertools import count
from types import SimpleNamespace
from typing import Any

import pytest

from stemprep.errors import DeliveryError
from stemprep.transfer import Address, opened_remote
from stemprep.transfer.s3 import S3Remote
from stemprep.transfer.sftp import SftpRemote

BUCKET = Address(kind="s3", host="quillmoor", path="ferry")
HOST = Address(kind="sftp", host="localhost", path="/ferry")


def s3_store(answer: Any) -> S3Remote:
    return S3Remote(BUCKET, SimpleNamespace(call_s3=answer, invalidate_cache=lambda: None))


@pytest.mark.parametrize("names", [0, 1000])
def test_a_bucket_without_end_is_left(names: int) -> None:
    pages = count()

    def answer(_: str, **asked: str) -> dict[str, Any]:
        page = next(pages)
        objects = [{"Key": f"ferry/{page}-{n}", "Size": 1} for n in range(names)]
        return {"Contents": objects, "IsTruncated": True, "NextContinuationToken": str(page)}

    with pytest.raises(DeliveryError, match="holds more than 100,000 things"):
        s3_store(answer).entries("ferry")


def test_pages_of_a_bucket_are_put_together() -> None:
    told = [
        {"Contents": [{"Key": "ferry/", "Size": 0}, {"Key": "ferry/a b", "Size": 2}]},
        {"Contents": [{"Key": "ferry/data/", "Size": 0}, {"Key": "ferry/data/x", "Size": 3}]},
    ]
    told[0] |= {"IsTruncated": True, "NextContinuationToken": "next"}  # type: ignore[dict-item]
    asked_for = []

    def answer(_: str, **asked: str) -> dict[str, Any]:
        asked_for.append(asked.get("ContinuationToken"))
        assert asked["Prefix"] == "ferry/"
        return told[len(asked_for) - 1]

    found = [(each.path, each.kind, each.size_bytes) for each in s3_store(answer).entries("ferry")]
    assert found == [("a b", "file", 2), ("data", "folder", 0), ("data/x", "file", 3)]
    assert asked_for == [None, "next"]


def test_a_folder_without_end_is_left() -> None:
    def listed(folder: str, read_aheads: int) -> Iterator[SimpleNamespace]:
        return (SimpleNamespace(filename=f"{n}", st_mode=stat.S_IFREG, st_size=1) for n in count())

    ftp = SimpleNamespace(listdir_iter=listed)
    with pytest.raises(DeliveryError, match="holds more than 100,000 things"):
        SftpRemote(HOST, SimpleNamespace(ftp=ftp)).entries("/ferry")


def test_a_file_that_is_shorter_than_the_host_says_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty file of 8 EiB would be asked for 64 MiB at a time, for years."""

    class Stream:
        def __enter__(self) -> Stream:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def stat(self) -> SimpleNamespace:
            return SimpleNamespace(st_size=1 << 63)

        def readv(self, pieces: list[tuple[int, int]]) -> Iterator[bytes]:
            return (b"" for _ in pieces)

    status = SimpleNamespace(st_mode=stat.S_IFREG)
    ftp = SimpleNamespace(lstat=lambda _: status, open=lambda *_: Stream())
    hashed = SftpRemote(HOST, SimpleNamespace(ftp=ftp)).hash("/ferry/x", ("sha256",))
    assert hashed.size_bytes == 0


@pytest.mark.parametrize("greeting", [b"", b"SSH-2.0-x\r\n" + bytes(200), b"\x1b[31mno\r\n" * 3])
def test_what_is_no_sftp_host_is_told_in_words_alone(
    greeting: bytes, tmp_path: Any, caplog: pytest.LogCaptureFixture
) -> None:
    listening = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with suppress(OSError):
            while True:
                connection, _ = listening.accept()
                connection.sendall(greeting)
                connection.close()

    threading.Thread(target=serve, daemon=True).start()
    address = Address(kind="sftp", host="127.0.0.1", port=listening.getsockname()[1], path="/ferry")
    known = tmp_path / "known"
    known.touch()
    said = {
        "STEMPREP_SFTP_USER": "lantern",
        "STEMPREP_SFTP_PASSWORD": "ferry-home-7",
        "STEMPREP_SFTP_KNOWN_HOSTS": str(known),
    }
    with listening, pytest.raises(DeliveryError) as refused, opened_remote(address, said):
        pass
    assert "nothing was sent" in str(refused.value)
    assert "ferry-home-7" not in str(refused.value)
    assert "Exception" not in str(refused.value)
    assert not caplog.records
