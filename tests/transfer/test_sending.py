"""Packages' files reach a store, are read back, and an interrupted upload goes on where it was."""

from __future__ import annotations

import hashlib
import http.server
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from stemprep.errors import DeliveryError
from stemprep.transfer import (
    Address,
    Arrival,
    Outgoing,
    Remote,
    opened_remote,
    parse_place,
    require_reachable,
    send_package,
)
from tests.transfer.servers import BUCKET, S3Service, SftpHost

CONTENTS = {
    "manifest-sha256.txt": b"who I am\n",
    "data/stems/Bass, 2nd take.wav": b"bass" * 100_000,
    "data/stems/Kick (in).wav": b"kick" * 50_000,
    "data/mix/Ré%20 ü #1.wav": b"mix" * 1_000,
    "data/empty.txt": b"",
    "tagmanifest-sha256.txt": b"all of me\n",
}


@dataclass(frozen=True)
class Store:
    """One of the stores with the means to look into it and to spoil it from behind."""

    address: Address
    environment: dict[str, str]
    look: Callable[[str], dict[str, bytes]]
    spoil: Callable[[str, bytes], None]

    @contextmanager
    def opened(self) -> Iterator[Remote]:
        with opened_remote(self.address, self.environment) as remote:
            yield remote

    def send(self, files: list[Outgoing], name: str) -> Arrival:
        with self.opened() as remote:
            return send_package(remote, files, name)


@pytest.fixture(params=["s3", "sftp"])
def store(
    request: pytest.FixtureRequest, s3: S3Service, sftp: SftpHost, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> Store:  # fmt: skip
    folder = tmp_path.name
    if request.param == "s3":
        for name, value in s3.environment.items():
            monkeypatch.setenv(name, value)
        address = parse_place(f"s3://{BUCKET}/{folder}")
        assert isinstance(address, Address)

        def look(name: str) -> dict[str, bytes]:
            start = f"{folder}/{name}/"
            return {key.removeprefix(start): s3.content(key) for key in s3.objects(start)}

        def spoil(path: str, content: bytes) -> None:
            s3.put(f"{folder}/{path}", content)

        return Store(address, s3.environment, look, spoil)
    address = parse_place(sftp.address(f"out/{folder}"))
    assert isinstance(address, Address)
    root = sftp.root / "out" / folder

    def look_there(name: str) -> dict[str, bytes]:
        top = root / name
        return {
            str(path.relative_to(top)): path.read_bytes()
            for path in top.rglob("*")
            if path.is_file()
        }

    def spoil_there(path: str, content: bytes) -> None:
        target = root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)

    return Store(address, sftp.environment, look_there, spoil_there)


@pytest.fixture
def files(tmp_path: Path) -> list[Outgoing]:
    outgoing = []
    for path, content in CONTENTS.items():
        local = tmp_path / "package" / path
        local.parent.mkdir(parents=True, exist_ok=True)
        local.write_bytes(content)
        outgoing.append(
            Outgoing(
                path=path,
                local=local,
                sha256=hashlib.sha256(content).hexdigest(),
                size_bytes=len(content),
            )
        )
    return outgoing


def staged(store: Store) -> str:
    """Where an unfinished upload lies."""
    return "lantern_01" if store.address.kind == "s3" else ".incoming-lantern_01"


def test_everything_arrives_byte_for_byte(store: Store, files: list[Outgoing]) -> None:
    arrival = store.send(files, "lantern_01")
    assert (arrival.sent, arrival.kept) == (len(files), 0)
    assert arrival.sent_bytes == sum(map(len, CONTENTS.values()))
    assert arrival.address.shown == f"{store.address.shown}/lantern_01"
    assert store.look("lantern_01") == CONTENTS


def test_an_interrupted_upload_is_incomplete_and_goes_on(
    store: Store, files: list[Outgoing], monkeypatch: pytest.MonkeyPatch
) -> None:
    class CableError(Exception):
        pass

    def pull_the_cable(done: int, total: int, path: str) -> None:
        if done == 3:
            raise CableError

    with store.opened() as remote, pytest.raises(DeliveryError, match="sending failed"):
        send_package(remote, files, "lantern_01", on_sent=pull_the_cable)
    if staged(store) != "lantern_01":
        assert store.look("lantern_01") == {}, "not visible under its name"
    arrived = store.look(staged(store))
    assert "tagmanifest-sha256.txt" not in arrived
    assert len(arrived) == 3
    second = store.send(files, "lantern_01")
    assert (second.sent, second.kept) == (len(files) - 3, 3)
    assert store.look("lantern_01") == CONTENTS


def test_what_arrived_damaged_is_sent_again(store: Store, files: list[Outgoing]) -> None:
    kick = "data/stems/Kick (in).wav"
    store.spoil(f"{staged(store)}/manifest-sha256.txt", CONTENTS["manifest-sha256.txt"])
    store.spoil(f"{staged(store)}/{kick}", b"kick" * 49_999 + b"kicK")
    arrival = store.send(files, "lantern_01")
    assert arrival.kept == 1
    assert store.look("lantern_01") == CONTENTS


def test_the_beginning_of_another_package_is_left_alone(
    store: Store, files: list[Outgoing]
) -> None:
    others = {"manifest-sha256.txt": b"somebody else\n", "data/empty.txt": b""}
    for path, content in others.items():
        store.spoil(f"{staged(store)}/{path}", content)
    with pytest.raises(DeliveryError, match="something else has this name"):
        store.send(files, "lantern_01")
    assert store.look(staged(store)) == others


def test_a_finished_package_of_that_name_is_left_alone(store: Store, files: list[Outgoing]) -> None:
    store.send(files, "lantern_01")
    with pytest.raises(DeliveryError, match="something else has this name"):
        store.send(files, "lantern_01")


def test_a_store_that_gives_back_other_bytes_is_found(
    store: Store, files: list[Outgoing], monkeypatch: pytest.MonkeyPatch
) -> None:
    with store.opened() as remote:
        true_send = remote.send

        def flipping(local: Path, path: str) -> None:
            true_send(local, path)
            if path.endswith("Bass, 2nd take.wav"):
                content = bytearray(local.read_bytes())
                content[777] ^= 1
                inside = path.partition(f"/{staged(store)}/")[2]
                store.spoil(f"{staged(store)}/{inside}", bytes(content))

        monkeypatch.setattr(remote, "send", flipping)
        with pytest.raises(DeliveryError, match="came back as"):
            send_package(remote, files, "lantern_01")
    assert "tagmanifest-sha256.txt" not in store.look(staged(store))


def test_a_wrong_password_is_told_without_it(
    store: Store, files: list[Outgoing], monkeypatch: pytest.MonkeyPatch
) -> None:
    if store.address.kind == "s3":
        pytest.skip("the model of the service lets everybody in")
    wrong = store.environment | {"STEMPREP_SFTP_PASSWORD": "open-sesame-99"}
    with (
        pytest.raises(DeliveryError, match="name, key or password were refused") as told,
        opened_remote(store.address, wrong),
    ):
        pass
    assert "open-sesame-99" not in str(told.value)
    assert told.value.__cause__ is None


def test_a_host_whose_key_is_not_known_is_refused(sftp: SftpHost, tmp_path: Path) -> None:
    (tmp_path / "none").write_text("")
    address = parse_place(sftp.address("out"))
    assert isinstance(address, Address)
    said = sftp.environment | {"STEMPREP_SFTP_KNOWN_HOSTS": str(tmp_path / "none")}
    with pytest.raises(DeliveryError, match="key is not known"), opened_remote(address, said):
        pass


def test_a_host_that_does_not_answer_is_told() -> None:
    address = parse_place("sftp://localhost:1/out")
    assert isinstance(address, Address)
    with pytest.raises(DeliveryError, match="connecting failed"), opened_remote(address, {}):
        pass


def test_a_missing_bucket_is_told(
    s3: S3Service, files: list[Outgoing], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in s3.environment.items():
        monkeypatch.setenv(name, value)
    address = parse_place("s3://nobodys-bucket/out")
    assert isinstance(address, Address)
    with (
        opened_remote(address) as remote,
        pytest.raises(DeliveryError, match=r"s3://nobodys-bucket/out/x: sending failed"),
    ):
        send_package(remote, files, "x")


def test_keys_come_from_the_environment_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is looked for in files of the home folder or at addresses of the machine."""
    address = parse_place(f"s3://{BUCKET}/out")
    assert isinstance(address, Address)
    with (
        pytest.raises(DeliveryError, match="no keys stand in the environment"),
        opened_remote(address, {"HOME": "/nowhere", "AWS_DEFAULT_REGION": "us-east-1"}),
    ):
        pass


class Refusing(http.server.BaseHTTPRequestHandler):
    """A service that knows the secret to be wrong, and repeats what it was asked."""

    def do_GET(self) -> None:
        body = (
            b"<Error><Code>SignatureDoesNotMatch</Code><Message>asked with "
            + self.headers.get("Authorization", "").encode()
            + b"</Message></Error>"
        )
        self.send_response(403)
        self.send_header("Content-Type", "application/xml")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Nothing."""


def test_wrong_keys_are_told_without_them() -> None:
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Refusing)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    address = parse_place(f"s3://{BUCKET}/out")
    assert isinstance(address, Address)
    said = {
        "AWS_ENDPOINT_URL_S3": f"http://127.0.0.1:{server.server_address[1]}",
        "AWS_ACCESS_KEY_ID": "LANTERNKEY",
        "AWS_SECRET_ACCESS_KEY": "open-sesame-99",
    }
    try:
        with (
            pytest.raises(DeliveryError, match="access is refused") as told,
            opened_remote(address, said) as remote,
        ):
            require_reachable(remote)
    finally:
        server.shutdown()
        server.server_close()
    for secret in ("open-sesame-99", "LANTERNKEY", "Credential="):
        assert secret not in str(told.value)
    assert "AWS_SECRET_ACCESS_KEY" in str(told.value)
