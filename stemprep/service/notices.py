"""Telling people what became of their drops, through apprise: mail, chat and web hooks by address.

A notice says number and verdict of a job; what was dropped, only where the config allows it.
Nothing here stops a job: each address has a thread of its own, and nobody waits for it. Addresses
hold passwords and appear in no message: they come from the environment or a file and are named by
their place there.
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


MAX_UNDER_WAY = 500
MAX_TOGETHER = 20
"""Notices in one message: mail servers and chats do not take hundreds in a minute."""
WAITS_S = (10.0, 60.0, 300.0, 1800.0, 3600.0)
"""Before each further try to reach those that were not reached."""
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


@dataclass(slots=True)
class _Try:
    """count: how often one address was tried in vain; due_s: when it is tried next."""

    count: int = 0
    due_s: float = 0.0


@dataclass(slots=True)
class _UnderWay:
    """left: by number of the address, those that were not reached and are not given up."""

    notice: Notice
    left: dict[int, _Try]
    is_missed: bool = False


class Log(Protocol):
    """Takes an event in words and its values."""

    def warning(self, event: str, /, **values: object) -> object:
        """Write one line."""
        ...


class Notices:
    """Sends notices in threads of its own, one an address, until ``close``.

    Notices are told at least once, if the caller keeps those that are not ``finished`` and tells
    them again after a restart.
    """

    def __init__(
        self,
        addresses: Sequence[Address],
        *,
        is_title_shown: bool = False,
        log: Log | None = None,
        waits_s: Sequence[float] = WAITS_S,
    ) -> None:
        self._addresses = tuple(addresses)
        self._is_title_shown = is_title_shown
        self._log = log
        self._waits_s = tuple(waits_s)
        self._condition = threading.Condition()
        self._under_way: dict[tuple[int, str], _UnderWay] = {}
        self._finished: list[tuple[Notice, bool]] = []
        self._is_closing = False
        self._threads: list[threading.Thread] = []

    def enqueue(self, notice: Notice) -> bool:
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
            left = {number: _Try() for number in range(len(self._addresses))}
            self._under_way[notice.key] = _UnderWay(notice, left)
            if not self._threads:
                self._threads = [self._started(number) for number in left]
            self._condition.notify_all()
        return True

    def finished(self) -> list[tuple[Notice, bool]]:
        """Notices that are done with since last asked, and whether each address was reached."""
        with self._condition:
            done, self._finished = self._finished, []
        return done

    def close(self, within_s: float = 5.0) -> None:
        """Try what is due once more, and wait no longer than told."""
        with self._condition:
            self._is_closing = True
            self._condition.notify_all()
        end_s = time.monotonic() + within_s
        for thread in self._threads:
            thread.join(max(0.0, end_s - time.monotonic()))

    def _started(self, number: int) -> threading.Thread:
        """Begin to send to one address: none waits for another that is slow or down."""
        thread = threading.Thread(
            target=self._send_to, args=(number,), name=f"notices {number + 1}", daemon=True
        )
        thread.start()
        return thread

    def _send_to(self, number: int) -> None:
        address = self._addresses[number]
        while items := self._due(number):
            notices = [item.notice for item in items]
            is_sent = _sent(address, *wording(notices, is_title_shown=self._is_title_shown))
            with self._condition:
                for item in items:
                    self._settle(item, number, is_sent=is_sent)

    def _due(self, number: int) -> list[_UnderWay]:
        """Wait for notices to one address; those due at once go together. [] at the end."""
        with self._condition:
            while True:
                now_s = time.monotonic()
                waiting = [item for item in self._under_way.values() if number in item.left]
                due = [item for item in waiting if item.left[number].due_s <= now_s]
                if due or self._is_closing:
                    return due[:MAX_TOGETHER]
                first_s = min((item.left[number].due_s for item in waiting), default=None)
                self._condition.wait(None if first_s is None else first_s - now_s)

    def _settle(self, item: _UnderWay, number: int, *, is_sent: bool) -> None:
        tried = item.left[number]
        tried.count += 1
        if not is_sent and tried.count <= len(self._waits_s):
            tried.due_s = time.monotonic() + self._waits_s[tried.count - 1]
            if tried.count == 1:
                self._complain(item, number, "a notice did not arrive and is tried again")
            return
        if not is_sent:
            item.is_missed = True
            self._complain(item, number, "a notice did not arrive and is given up")
        del item.left[number]
        if not item.left:
            del self._under_way[item.notice.key]
            self._finished.append((item.notice, not item.is_missed))

    def _complain(self, item: _UnderWay, number: int, what: str) -> None:
        if self._log is not None:
            place = self._addresses[number].place
            self._log.warning(what, job=item.notice.job, kind=item.notice.kind, to=place)


def wording(notices: Sequence[Notice], *, is_title_shown: bool) -> tuple[str, str]:
    """Title and text that tell of some jobs: plain text, hidden characters made visible."""
    first = notices[0]
    if len(notices) == 1:
        title = f"stemprep: job {first.job} {_STATES[first.kind]}"
    else:
        title = f"stemprep: {tally(_STATES[notice.kind] for notice in notices)}"
    return title, "\n\n".join(_paragraph(notice, is_title_shown) for notice in notices)


def _paragraph(notice: Notice, is_title_shown: bool) -> str:
    lines = [_summary(notice)]
    if is_title_shown and notice.name:
        lines.append(f"Drop: {visible(notice.name)[:MAX_SHOWN]}")
    if is_title_shown and notice.headline:
        lines.append(visible(notice.headline)[:MAX_SHOWN])
    return "\n".join(lines)


_STATES: dict[NoticeKind, str] = {
    "received": "received",
    "held-back": "held back",
    "away": "waiting for a place",
    "delivered": "delivered",
    "refused": "refused",
    "set-aside": "set aside",
}


def _summary(notice: Notice) -> str:
    verdict = f" Verdict: {notice.verdict}." if notice.verdict else ""
    number = notice.job
    if notice.kind == "received":
        what = f"{plural(notice.files, 'file')}, {size(notice.size_bytes)}"
        return f"Job {number} was received: {what}. It is checked next."
    if notice.kind == "held-back":
        return (
            f"Job {number} waits: the service cannot read its drop. 'stemprep jobs show {number}' "
            "tells where and what to do; once it can be read it is taken by itself."
        )
    if notice.kind == "away":
        return (
            f"Job {number} waits, and all that need the same folder or disk with it: it is away or "
            f"full. 'stemprep places' shows which, 'stemprep jobs show {number}' what to do. "
            "Nothing is lost; the jobs go on by themselves once it is back."
        )
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


def _sent(address: Address, title: str, body: str) -> bool:
    """Send to one address; whatever a service raises means that it did not arrive."""
    try:
        return address.send(title, body)
    except Exception:
        return False
