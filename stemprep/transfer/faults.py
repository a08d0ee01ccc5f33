"""What a store refused, as something a person can act on; never with what lets one in."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager

from stemprep.errors import DeliveryError, StemprepError
from stemprep.transfer.address import Address

_OF_OUR_MAKING = (TypeError, AttributeError, NameError, AssertionError, NotImplementedError)
"""What no store can cause."""
_KEYS = {
    "s3": "AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY (or AWS_PROFILE)",
    "sftp": "STEMPREP_SFTP_USER with STEMPREP_SFTP_KEY_FILE or STEMPREP_SFTP_PASSWORD",
}
_BY_NAME = {
    "NoCredentialsError": "no keys were found",
    "PartialCredentialsError": "only half of the keys was found",
    "AuthenticationException": "name, key or password were refused",
    "PasswordRequiredException": "the key file has a passphrase",
    "BadHostKeyException": "the host shows another key than the one that is known",
    "EndpointConnectionError": "the service does not answer",
    "ConnectTimeoutError": "the service does not answer",
    "ReadTimeoutError": "the service stopped answering",
    "NoValidConnectionsError": "the host does not answer",
}
_ADVICE = {
    "NoCredentialsError": "set {keys} in the environment",
    "PartialCredentialsError": "set {keys} in the environment",
    "AuthenticationException": "check {keys} in the environment",
    "PermissionError": "check {keys} in the environment, and that they may list, read and write "
    "there",
    "PasswordRequiredException": "give it in the environment as STEMPREP_SFTP_KEY_PASSPHRASE",
    "BadHostKeyException": "ask whoever runs that host before going on: it may be another one",
}


@contextmanager
def as_store_error(doing: str, address: Address, outcome: str) -> Iterator[None]:
    """Turn what a store's library raises into a DeliveryError: where, what failed, what to do.

    Libraries put requests into their messages, so those are not repeated but for plain refusals.
    """
    try:
        yield
    except (StemprepError, *_OF_OUR_MAKING):
        raise
    except Exception as error:
        raise DeliveryError(_words(doing, address, error, outcome)) from None


def _words(doing: str, address: Address, error: Exception, outcome: str) -> str:
    name = type(error).__name__
    advice = _ADVICE.get(name, "put that right, then repeat the command")
    return (
        f"{address.shown}: {doing} failed ({_reason(name, error, address)}): "
        f"{advice.format(keys=_KEYS[address.kind])}; {outcome}"
    )


def _reason(name: str, error: Exception, address: Address) -> str:
    if name in _BY_NAME:
        return _BY_NAME[name]
    if isinstance(error, FileNotFoundError):
        return "it is not there"
    if isinstance(error, PermissionError):
        return "access is refused"
    if isinstance(error, socket.gaierror):
        return f"no host of that name is known: {address.host}"
    if isinstance(error, TimeoutError):
        return "it stopped answering"
    if name == "SSHException" and "not found in known_hosts" in str(error):
        return (
            "the host's key is not known: add it to known_hosts, or name a file with it in the "
            "environment as STEMPREP_SFTP_KNOWN_HOSTS"
        )
    if name in ("SSHException", "EOFError"):
        return "what answers there ended the connection, or is no SFTP host"
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return name
