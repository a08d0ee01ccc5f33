"""Connecting to a store with what the environment says, and nothing else."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from stemprep.errors import DeliveryError
from stemprep.transfer.address import Address
from stemprep.transfer.faults import as_store_error
from stemprep.transfer.remote import Remote
from stemprep.transfer.s3 import S3Remote
from stemprep.transfer.sftp import SftpRemote

TIMEOUT_S = 60
USER = "STEMPREP_SFTP_USER"
PASSWORD = "STEMPREP_SFTP_PASSWORD"  # noqa: S105  # a variable's name
KEY_FILE = "STEMPREP_SFTP_KEY_FILE"
KEY_PASSPHRASE = "STEMPREP_SFTP_KEY_PASSPHRASE"  # noqa: S105  # a variable's name
KNOWN_HOSTS = "STEMPREP_SFTP_KNOWN_HOSTS"
KEY, SECRET, TOKEN = "AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_SESSION_TOKEN"
KEYS_ELSEWHERE = (
    "AWS_PROFILE",
    "AWS_WEB_IDENTITY_TOKEN_FILE",
    "AWS_CONTAINER_CREDENTIALS_RELATIVE_URI",
    "AWS_CONTAINER_CREDENTIALS_FULL_URI",
)
"""Variables that say where keys are to be had, as that family of services names them."""
_LIBRARIES = ("paramiko", "fsspec", "s3fs", "botocore", "aiobotocore", "aiohttp")
ENDPOINTS = ("AWS_ENDPOINT_URL_S3", "AWS_ENDPOINT_URL")


@contextmanager
def opened_remote(
    address: Address, environment: Mapping[str, str] | None = None
) -> Iterator[Remote]:
    """Connect to an address for as long as the context lasts; DeliveryError where that fails.

    environment: where names and keys are taken from; None: the process's own.
    """
    said = os.environ if environment is None else environment
    _keep_quiet()
    with as_store_error("connecting", address, "nothing was sent"):
        remote: Remote = _s3(address, said) if address.kind == "s3" else _sftp(address, said)
    try:
        yield remote
    finally:
        remote.close()


def _keep_quiet() -> None:
    """Have the libraries log nothing: their lines hold traces, requests and what a host sends, and
    where nobody has set up logs they go to standard error as they are. What fails is raised.
    """
    for name in _LIBRARIES:
        logger = logging.getLogger(name)
        logger.propagate = False
        logger.setLevel(logging.CRITICAL + 1)


def require_reachable(remote: Remote) -> None:
    """Ask a store something small, so that a wrong key is told before hours of work."""
    with as_store_error("asking for it", remote.address, "nothing was done"):
        remote.require_answer()


def _s3(address: Address, said: Mapping[str, str]) -> S3Remote:
    """Through s3fs: keys and region as that family of services names them."""
    try:
        import s3fs
    except ImportError as error:
        raise _missing("s3fs", address) from error
    if not (said.get(KEY) and said.get(SECRET)) and not any(map(said.get, KEYS_ELSEWHERE)):
        raise DeliveryError(
            f"{address.shown}: no keys stand in the environment; set {KEY} and {SECRET}, or "
            "AWS_PROFILE; nothing was sent"
        )
    endpoint = next((said[name] for name in ENDPOINTS if said.get(name)), None)
    settings = {"connect_timeout": 30, "read_timeout": TIMEOUT_S, "retries": {"max_attempts": 4}}
    file_system = s3fs.S3FileSystem(
        key=said.get(KEY),
        secret=said.get(SECRET),
        token=said.get(TOKEN),
        endpoint_url=endpoint,
        config_kwargs=settings,
        use_listings_cache=False,
        skip_instance_cache=True,
        max_concurrency=2,  # parts of 50 MB in memory at a time
    )
    return S3Remote(address, file_system)


def _sftp(address: Address, said: Mapping[str, str]) -> SftpRemote:
    """Through fsspec and paramiko; a host whose key is not known is refused."""
    try:
        import paramiko
        from fsspec.implementations.sftp import SFTPFileSystem
    except ImportError as error:
        raise _missing("paramiko", address) from error
    known_hosts = said.get(KNOWN_HOSTS)

    class KnownHostsOnly(SFTPFileSystem):  # type: ignore[misc]  # fsspec has no types
        """Takes no key on trust: whoever answers first could be anybody."""

        cachable = False

        def _connect(self) -> None:
            self.client = paramiko.SSHClient()
            if known_hosts:
                self.client.load_host_keys(known_hosts)
            else:
                self.client.load_system_host_keys()
            self.client.set_missing_host_key_policy(paramiko.RejectPolicy())
            self.client.connect(self.host, **self.ssh_kwargs)
            self.ftp = self.client.open_sftp()
            self.ftp.get_channel().settimeout(TIMEOUT_S)

    options: dict[str, Any] = {
        "port": address.port or 22,
        "username": said.get(USER),
        "password": said.get(PASSWORD),
        "key_filename": said.get(KEY_FILE),
        "passphrase": said.get(KEY_PASSPHRASE),
        "timeout": 30,
        "banner_timeout": 30,
        "auth_timeout": 30,
        "look_for_keys": False,
        "allow_agent": bool(said.get("SSH_AUTH_SOCK")),
    }
    return SftpRemote(address, KnownHostsOnly(address.host, **options))


def _missing(package: str, address: Address) -> DeliveryError:
    return DeliveryError(f"{address.shown}: {package} is not installed; install stemprep[remote]")
