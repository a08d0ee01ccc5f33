"""An S3 service and an SFTP host on this machine, for as long as a test lasts."""

from __future__ import annotations

import os
import socket
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import paramiko

USER, PASSWORD = "lantern", "ferry-home-7"
BUCKET = "quillmoor"


@dataclass(frozen=True)
class S3Service:
    """A service with one bucket; ``environment`` is what a client needs to know."""

    endpoint: str

    @property
    def environment(self) -> dict[str, str]:
        return {
            "AWS_ENDPOINT_URL_S3": self.endpoint,
            "AWS_ACCESS_KEY_ID": "lantern",
            "AWS_SECRET_ACCESS_KEY": "ferry-home-7",
            "AWS_DEFAULT_REGION": "us-east-1",
            "AWS_EC2_METADATA_DISABLED": "true",
            "AWS_CONFIG_FILE": os.devnull,
            "AWS_SHARED_CREDENTIALS_FILE": os.devnull,
        }

    @cached_property
    def client(self) -> Any:
        """One for all questions: boto3 reads its models anew for each."""
        import boto3

        return boto3.client(
            "s3",
            endpoint_url=self.endpoint,
            aws_access_key_id="lantern",
            aws_secret_access_key="ferry-home-7",  # noqa: S106  # of the test's own server
            region_name="us-east-1",
        )

    def objects(self, prefix: str = "") -> dict[str, int]:
        """Every object's name and size."""
        pages = self.client.get_paginator("list_objects_v2")
        found = (
            item
            for page in pages.paginate(Bucket=BUCKET, Prefix=prefix)
            for item in page.get("Contents", ())
        )
        return {item["Key"]: item["Size"] for item in found}

    def content(self, name: str) -> bytes:
        got = self.client.get_object(Bucket=BUCKET, Key=name)
        return bytes(got["Body"].read())

    def put(self, name: str, content: bytes) -> None:
        self.client.put_object(Bucket=BUCKET, Key=name, Body=content)


@contextmanager
def s3_service() -> Iterator[S3Service]:
    """The server of moto in a thread, an independent model of the service."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from moto.server import ThreadedMotoServer

        server = ThreadedMotoServer(port=0, verbose=False)
        server.start()
    host, port = server.get_host_and_port()
    service = S3Service(f"http://{'127.0.0.1' if host == '0.0.0.0' else host}:{port}")  # noqa: S104
    service.client.create_bucket(Bucket=BUCKET)
    try:
        yield service
    finally:
        server.stop()


@dataclass(frozen=True)
class SftpHost:
    """A host that serves one folder as its root."""

    root: Path
    port: int
    known_hosts: Path

    @property
    def environment(self) -> dict[str, str]:
        return {
            "STEMPREP_SFTP_USER": USER,
            "STEMPREP_SFTP_PASSWORD": PASSWORD,
            "STEMPREP_SFTP_KNOWN_HOSTS": str(self.known_hosts),
        }

    def address(self, path: str) -> str:
        return f"sftp://localhost:{self.port}/{path}"


class _Door(paramiko.ServerInterface):
    def check_auth_password(self, username: str, password: str) -> int:
        is_known = (username, password) == (USER, PASSWORD)
        return paramiko.AUTH_SUCCESSFUL if is_known else paramiko.AUTH_FAILED

    def get_allowed_auths(self, username: str) -> str:
        return "password"

    def check_channel_request(self, kind: str, chanid: int) -> int:
        return paramiko.OPEN_SUCCEEDED


class _Handle(paramiko.SFTPHandle):
    def stat(self) -> paramiko.SFTPAttributes:
        return paramiko.SFTPAttributes.from_stat(os.fstat(self.readfile.fileno()))


def _folder(root: Path, delay_s: float) -> type[paramiko.SFTPServerInterface]:
    """The interface to one folder of this machine; every opening takes a while."""

    class Folder(paramiko.SFTPServerInterface):
        def _real(self, path: str) -> str:
            return str(root) + self.canonicalize(path)

        def list_folder(self, path: str) -> object:
            try:
                found = []
                for inside in Path(self._real(path)).iterdir():
                    item = paramiko.SFTPAttributes.from_stat(inside.lstat())
                    item.filename = inside.name
                    found.append(item)
                return found
            except OSError as error:
                return paramiko.SFTPServer.convert_errno(error.errno or 0)

        def stat(self, path: str) -> object:
            return self._status(os.stat, path)

        def lstat(self, path: str) -> object:
            return self._status(os.lstat, path)

        def _status(self, ask: object, path: str) -> object:
            try:
                return paramiko.SFTPAttributes.from_stat(ask(self._real(path)))  # type: ignore[operator]
            except OSError as error:
                return paramiko.SFTPServer.convert_errno(error.errno or 0)

        def open(self, path: str, flags: int, attr: object) -> object:
            time.sleep(delay_s)
            try:
                handle = os.open(self._real(path), flags | os.O_CREAT * bool(flags & os.O_CREAT))
            except OSError as error:
                return paramiko.SFTPServer.convert_errno(error.errno or 0)
            is_written = bool(flags & (os.O_WRONLY | os.O_RDWR))
            stream = os.fdopen(handle, "r+b" if flags & os.O_RDWR else "wb" if is_written else "rb")
            opened = _Handle(flags)
            opened.filename = self._real(path)
            opened.readfile = stream
            opened.writefile = stream
            return opened

        def mkdir(self, path: str, attr: object) -> int:
            return self._done(os.mkdir, self._real(path))

        def remove(self, path: str) -> int:
            return self._done(os.remove, self._real(path))

        def rename(self, oldpath: str, newpath: str) -> int:
            return self._done(os.rename, self._real(oldpath), self._real(newpath))

        posix_rename = rename

        def _done(self, act: object, *paths: str) -> int:
            try:
                act(*paths)  # type: ignore[operator]
            except OSError as error:
                return paramiko.SFTPServer.convert_errno(error.errno or 0)
            return paramiko.SFTP_OK

    return Folder


@contextmanager
def sftp_host(root: Path, place: Path, *, delay_s: float = 0.0) -> Iterator[SftpHost]:
    """The server of paramiko in threads; ``place`` takes the file of known hosts.

    delay_s: how long the opening of a file takes, so that a transfer can be caught under way.
    """
    root.mkdir(parents=True, exist_ok=True)
    key = paramiko.ECDSAKey.generate()
    listening = socket.create_server(("127.0.0.1", 0))
    port = listening.getsockname()[1]
    known = place / "known_hosts"
    known.write_text(f"[localhost]:{port} {key.get_name()} {key.get_base64()}\n")
    transports: list[paramiko.Transport] = []

    def serve() -> None:
        while True:
            try:
                connection, _ = listening.accept()
            except OSError:
                return
            transport = paramiko.Transport(connection)
            transport.add_server_key(key)
            transport.set_subsystem_handler("sftp", paramiko.SFTPServer, _folder(root, delay_s))
            transports.append(transport)
            with suppress(paramiko.SSHException, EOFError):
                transport.start_server(server=_Door())

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield SftpHost(root, port, known)
    finally:
        listening.close()
        for transport in transports:
            transport.close()
