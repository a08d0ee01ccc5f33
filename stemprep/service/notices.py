"""Telling people what became of their drops, through apprise: mail, chat and web hooks by address.

Addresses hold passwords. They come from the environment or a file, are named by their place there,
and appear in no message. A notice says number and verdict of a job; what was dropped, only where
the config allows it. Nothing here stops a job: sending is one thread's, and it waits for nobody.
"""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from stemprep.model.service import NoticeKind, NoticeTargets
from stemprep.report.escaping import visible
from stemprep.report.figures import plural, size, tally

MAX_UNDER_WAY = 500
MAX_TOGETHER = 20
"""Notices in one message: mail servers and chats do not take hundreds in a minute."""
WAITS_S = (10.0, 60.0, 300.0, 1800.0, 3600.0)
"""Before each further try to reach those that were not reached."""
SEND_S = 30.0
MAX_ADDRESS_BYTES = 65_536
MAX_SHOWN = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """What is told of one job.

    verdict:  "", pass, warn or fail.
    name:     of the drop, headline: of its report; both told only where the config allows titles.
    """

    kind: NoticeKind
    job: int
    verdict: str = ""
    files: int = 0
    size_bytes: int = 0
    name: str = ""
    headline: str = ""

    @property
    def key(self) -> tuple[int, str]:
        """No two notices of a job are of the same kind."""
        return self.job, self.kind


@dataclass(frozen=True, slots=True)
class Address:
    """Where notices go: its place in words, and what sends there and tells whether it arrived."""

    place: str
    send: Callable[[str, str], bool]


@dataclass(slots=True)
class _UnderWay:
    notice: Notice
    left: list[Address]
    tries: int = 0
    due_s: float = 0.0


class Log(Protocol):
    """Takes an event in words and its values."""

    def warning(self, event: str, /, **values: object) -> object:
        """Write one line."""
        ...


class Notices:
    """Sends notices in a thread of its own, from the first ``tell`` until ``close``.

    Notices are told at least once, if the caller keeps those that are not ``finished`` and tells
    them again after a restart.
    """

    def __init__(
        self,
        addresses: Sequence[Address],
        *,
        is_title_told: bool = False,
        log: Log | None = None,
        waits_s: Sequence[float] = WAITS_S,
    ) -> None:
        self._addresses = tuple(addresses)
        self._is_title_told = is_title_told
        self._log = log
        self._waits_s = tuple(waits_s)
        self._condition = threading.Condition()
        self._under_way: dict[tuple[int, str], _UnderWay] = {}
        self._finished: list[tuple[Notice, bool]] = []
        self._is_closing = False
        self._thread: threading.Thread | None = None

    def tell(self, notice: Notice) -> bool:
        """Have a notice sent; False where too many are under way: tell it again later.

        One that is under way, or finished and not asked for yet, is not sent twice.
        """
        with self._condition:
            if notice.key in self._under_way or self._is_closing:
                return True
            if any(done.key == notice.key for done, _ in self._finished):
                return True
            if not self._addresses:
                self._finished.append((notice, True))
                return True
            if len(self._under_way) >= MAX_UNDER_WAY:
                return False
            self._under_way[notice.key] = _UnderWay(notice, list(self._addresses))
            if self._thread is None:
                self._thread = threading.Thread(target=self._send_all, name="notices", daemon=True)
                self._thread.start()
            self._condition.notify_all()
        return True

    def finished(self) -> list[tuple[Notice, bool]]:
        """Notices that are done with since last asked, and whether each address was reached."""
        with self._condition:
            done, self._finished = self._finished, []
        return done

    def close(self, within_s: float = 5.0) -> None:
        """Try what is under way once more at most, and wait no longer than told."""
        with self._condition:
            self._is_closing = True
            self._condition.notify_all()
        if self._thread is not None:
            self._thread.join(within_s)

    def _send_all(self) -> None:
        while items := self._due():
            for address in self._addresses:
                telling = [item for item in items if address in item.left]
                notices = [item.notice for item in telling]
                if telling and _sent(address, *wording(notices, is_title_told=self._is_title_told)):
                    for item in telling:
                        item.left.remove(address)
            with self._condition:
                for item in items:
                    self._settle(item)

    def _due(self) -> list[_UnderWay]:
        """Wait for notices to be sent; those that are due at once go together. [] at the end."""
        with self._condition:
            while True:
                now_s = time.monotonic()
                due = [item for item in self._under_way.values() if item.due_s <= now_s]
                if due or self._is_closing:
                    return due[:MAX_TOGETHER]
                first_s = min((item.due_s for item in self._under_way.values()), default=None)
                self._condition.wait(None if first_s is None else first_s - now_s)

    def _settle(self, item: _UnderWay) -> None:
        item.tries += 1
        if item.left and item.tries <= len(self._waits_s):
            item.due_s = time.monotonic() + self._waits_s[item.tries - 1]
            if item.tries == 1:
                self._complain(item, "a notice did not arrive and is tried again")
            return
        if item.left:
            self._complain(item, "a notice did not arrive and is given up")
        del self._under_way[item.notice.key]
        self._finished.append((item.notice, not item.left))

    def _complain(self, item: _UnderWay, what: str) -> None:
        if self._log is not None:
            places = ", ".join(address.place for address in item.left)
            self._log.warning(what, job=item.notice.job, kind=item.notice.kind, to=places)


def wording(notices: Sequence[Notice], *, is_title_told: bool) -> tuple[str, str]:
    """Title and text that tell of some jobs: plain text, hidden characters made visible."""
    first = notices[0]
    if len(notices) == 1:
        title = f"stemprep: job {first.job} {_STATES[first.kind]}"
    else:
        title = f"stemprep: {tally(_STATES[notice.kind] for notice in notices)}"
    return title, "\n\n".join(_paragraph(notice, is_title_told) for notice in notices)


def _paragraph(notice: Notice, is_title_told: bool) -> str:
    lines = [_told(notice)]
    if is_title_told and notice.name:
        lines.append(f"Drop: {visible(notice.name)[:MAX_SHOWN]}")
    if is_title_told and notice.headline:
        lines.append(visible(notice.headline)[:MAX_SHOWN])
    return "\n".join(lines)


_STATES: dict[NoticeKind, str] = {
    "received": "received",
    "delivered": "delivered",
    "refused": "refused",
    "set-aside": "set aside",
}


def _told(notice: Notice) -> str:
    verdict = f" Verdict: {notice.verdict}." if notice.verdict else ""
    number = notice.job
    if notice.kind == "received":
        what = f"{plural(notice.files, 'file')}, {size(notice.size_bytes)}"
        return f"Job {number} was received: {what}. It is checked next."
    if notice.kind == "delivered":
        return f"Job {number} was delivered; its receipt lies beside the drop.{verdict}"
    if notice.kind == "refused":
        return (
            f"Job {number} was not delivered.{verdict} The report beside the drop says what to "
            "fix; a corrected drop is checked again by itself."
        )
    return (
        f"Job {number} was set aside: the machine failed too often. 'stemprep jobs show {number}' "
        f"tells why, 'stemprep jobs retry {number}' tries again.{verdict}"
    )


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


def _sent(address: Address, title: str, body: str) -> bool:
    """Send to one address; whatever a service raises means that it did not arrive."""
    try:
        return address.send(title, body)
    except Exception:
        return False
