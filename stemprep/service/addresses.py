"""Addresses of notices: they hold passwords, and appear in no message.

They come from the environment or a file, are named by their place there, and are told to apprise,
which knows how to send to each kind.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from stemprep.model.service import NoticeTargets
from stemprep.report.escaping import visible

SEND_S = 30.0
MAX_ADDRESS_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class Address:
    """Where notices go: its place in words, and what sends there and tells whether it arrived."""

    place: str
    send: Callable[[str, str], bool]


def addresses_of(
    targets: NoticeTargets, environment: Mapping[str, str]
) -> tuple[tuple[Address, ...], tuple[str, ...]]:
    """Addresses that the config names, and in words what is wrong with some, without a secret.

    A variable holds addresses with white space between them; a file one a line, where ``#`` begins
    a remark.
    """
    found: list[tuple[str, str]] = []
    problems: list[str] = []
    for variable in targets.url_variables:
        texts = environment.get(variable, "").split()
        found += [(f"{variable}, address {n}", text) for n, text in enumerate(texts, 1)]
        if not texts:
            problems.append(f"{variable}: not set, so nobody is told there; set it to an address")
    if targets.url_file is not None:
        listed, troubles = _from_file(targets.url_file)
        found += listed
        problems += troubles
    if not found:
        return (), tuple(problems)
    try:
        addresses = [(place, _sender(text)) for place, text in found]
    except ImportError:
        problems.append("notices need the service extra; install stemprep[service]")
        return (), tuple(problems)
    problems += [f"{place}: no address that can be used" for place, send in addresses if not send]
    return tuple(Address(place, send) for place, send in addresses if send), tuple(problems)


def _from_file(path: Path) -> tuple[list[tuple[str, str]], list[str]]:
    shown = visible(str(path))
    try:
        with path.open("rb") as stream:
            mode = os.fstat(stream.fileno()).st_mode
            text = stream.read(MAX_ADDRESS_BYTES).decode("utf-8", "replace")
    except OSError as error:
        return [], [f"{shown}: cannot be read ({error.strerror}), so nobody is told there"]
    lines = [(n, line.strip()) for n, line in enumerate(text.splitlines(), 1)]
    listed = [(f"{shown}, line {n}", line) for n, line in lines if line and line[0] != "#"]
    others_may_read = mode & 0o077
    problem = f"{shown}: others on this machine may read its passwords; chmod 600 it"
    return listed, [problem] if others_may_read else []


def _sender(text: str) -> Callable[[str, str], bool] | None:
    """Make what sends to one address; None for an address of no known kind."""
    from apprise import Apprise, AppriseAsset, NotifyFormat

    logger = logging.getLogger("apprise")  # its lines may hold addresses
    logger.propagate = False
    logger.setLevel(logging.CRITICAL + 1)
    asset = AppriseAsset(
        plugin_paths=[], storage_mode="memory", service_timeout=SEND_S, app_id="stemprep",
        app_desc="stemprep", app_url="", image_url_mask="", image_url_logo="", async_mode=False,
    )  # fmt: skip
    service = Apprise(asset=asset)
    if not service.add(text):
        return None

    def send(title: str, body: str) -> bool:
        return bool(service.notify(body=body, title=title, body_format=NotifyFormat.TEXT))

    return send
