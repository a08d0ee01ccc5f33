"""One inbox: which entries at its top are drops, and when it is time to look at which of them."""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from pathlib import Path

from stemprep.model.service import Inbox
from stemprep.service.inbox.drop_names import drop_name, finished_name, is_unfinished, may_be_drop
from stemprep.service.inbox.drop_watcher import Hindrance, Patience, Watched
from stemprep.service.inbox.tree_snapshot import marker_beside

MAX_NAMES = 100_000
REST_PER_RECONCILE = 300.0  # looking at everything takes at most a three-hundredth of one core
REST_PER_LISTING = 1000.0
REST_PER_HINTED_RECONCILE = 20.0
LIST_AGAIN_S = 1.1  # two changes within one tick of a coarse clock leave one time
SHARE_LISTING_S = 5.0  # the folder's time on a share may be told late
UNREACHABLE_PACE_S = 5.0
_NOT_TAKEN = "a link or special file, which is never followed or opened; drop the real thing"


@dataclass(slots=True)
class Seen:
    """Names by what one scan found about them.

    is_any_gone: something that was watched is there no more.
    trouble:     why the inbox cannot be listed.
    """

    new: list[str] = field(default_factory=list)
    still: list[str] = field(default_factory=list)
    held: list[tuple[str, Hindrance]] = field(default_factory=list)
    is_any_gone: bool = False
    trouble: str = ""


@dataclass(slots=True)
class InboxWatch:
    """State of one inbox. Everything kept is by name, so memory is bounded by MAX_NAMES."""

    inbox: Inbox
    rescan_s: float
    why_away: Callable[[Path], str] = lambda _: ""
    drops: dict[str, Watched] = field(default_factory=dict)
    _moving: set[str] = field(default_factory=set)
    _passed_over: dict[str, str] = field(default_factory=dict)
    _beside: dict[str, str] = field(default_factory=dict)
    _is_listed: bool = False
    _top: tuple[int, int] = (-1, -1)
    _folder_time: tuple[int, int] = (-1, -1)
    _list_again_until_s: float = float("-inf")
    _list_due_s: float = float("-inf")
    _reconcile_due_s: float = float("-inf")
    _reconciled_s: float = float("-inf")
    _reconcile_cost_s: float = 0.0
    _trouble: str = ""
    _trouble_due_s: float = float("-inf")

    @property
    def is_quiet(self) -> bool:
        """Whether all drops are given out, or wait for more than time."""
        if self._trouble:  # in an inbox that is away nothing becomes ready by keeping still
            return True
        waiting = (self.drops[name] for name in self._moving)
        return all(watched.hindrance is not None or watched.look.is_empty for watched in waiting)

    @property
    def _patience(self) -> Patience:
        return Patience(settle_s=self.inbox.settle_s, ready_marker=self.inbox.ready_marker)

    def scan(self, now_s: float, hinted: Collection[str]) -> Seen:
        """Look at what it is time for, and at ``hinted`` names now; "" stands for everything."""
        seen = Seen()
        if self._trouble and now_s < self._trouble_due_s:
            seen.trouble = self._trouble
            return seen
        try:
            self._trouble = self._why_not_there()
            if not self._trouble:
                self._list_if_due(now_s, seen, is_hinted=bool(hinted))
        except OSError as error:
            self._trouble = f"cannot be listed ({error.strerror}); is the share mounted?"
        if self._trouble:
            self._trouble_due_s, self._top = now_s + UNREACHABLE_PACE_S, (-1, -1)
            seen.trouble = self._trouble
            return seen
        due = {name for name in self._moving if self.drops[name].due_s <= now_s}
        due |= {name for name in hinted if name in self.drops and name not in self._moving}
        if "" in hinted:  # after a burst of lost events, not again and again
            rest_s = REST_PER_HINTED_RECONCILE * self._reconcile_cost_s
            self._reconcile_due_s = min(self._reconcile_due_s, self._reconciled_s + rest_s)
        if now_s >= self._reconcile_due_s:
            self._look(list(self.drops), now_s, seen, is_reconcile=True)
        elif due:
            self._look(sorted(due), now_s, seen)
        return seen

    def give(self, name: str, now_s: float) -> bool:
        """Give out a still drop; False where it moved, or was given out in this state before."""
        if not self.drops[name].is_still_now(now_s, self._patience):
            return False
        self._moving.discard(name)
        return self.drops[name].give() is not None

    def hold(self, name: str, hindrance: Hindrance, now_s: float) -> Hindrance | None:
        """Keep back a still drop; return what to tell about it now."""
        self.drops[name].hindrance = hindrance
        return self.drops[name].news(now_s, self._patience)

    def forget(self, name: str) -> None:
        """Treat a drop as one never seen."""
        self.drops.pop(name, None)
        self._moving.discard(name)
        self._list_due_s = float("-inf")

    def _look(
        self, names: list[str], now_s: float, seen: Seen, *, is_reconcile: bool = False
    ) -> None:
        begun_s = time.perf_counter()
        for name in names:
            watched = self.drops[name]
            beside = self._beside.get(name, "")
            state = watched.look_again(now_s, self._patience, beside=beside)
            if state == "gone":
                self._lose(name, seen)
                self._list_due_s = now_s
                continue
            if state != "whole":
                self._moving.add(name)
            if state == "still":
                seen.still.append(name)
            elif news := watched.news(now_s, self._patience):
                seen.held.append((name, news))
        if is_reconcile:
            self._reconcile_cost_s = cost_s = time.perf_counter() - begun_s
            self._reconciled_s = now_s
            self._reconcile_due_s = now_s + max(self.rescan_s, REST_PER_RECONCILE * cost_s)

    def _why_not_there(self) -> str:
        """Say why another folder than the inbox lies there; asked when the folder is another."""
        status = os.stat(self.inbox.path)  # noqa: PTH116 - called every second
        top = (status.st_dev, status.st_ino)
        if top == self._top:
            return ""
        self._top = top
        return self.why_away(self.inbox.path).replace(f" {self.inbox.path}", "")

    def _list_if_due(self, now_s: float, seen: Seen, *, is_hinted: bool) -> None:
        status = os.stat(self.inbox.path)  # noqa: PTH116 - called every second
        if not stat.S_ISDIR(status.st_mode):
            raise NotADirectoryError(0, "not a folder")
        folder_time = (status.st_mtime_ns, status.st_ctime_ns)
        if folder_time != self._folder_time or is_hinted:
            self._folder_time = folder_time
            self._list_again_until_s = now_s + LIST_AGAIN_S
        elif now_s > self._list_again_until_s and now_s < min(
            self._list_due_s, self._reconcile_due_s
        ):
            return
        begun_s = time.perf_counter()
        self._list(now_s, seen)
        pace_s = SHARE_LISTING_S if self.inbox.is_polled else self.rescan_s
        self._list_due_s = now_s + max(pace_s, REST_PER_LISTING * (time.perf_counter() - begun_s))

    def _list(self, now_s: float, seen: Seen) -> None:
        names: set[str] = set()
        passed_over: dict[str, str] = {}
        beside: dict[str, str] = {}
        with os.scandir(self.inbox.path) as listing:
            for number, item in enumerate(listing):
                if number >= MAX_NAMES:
                    passed_over[""] = f"over {MAX_NAMES:,} entries lie at its top; the rest waits"
                    break
                name = drop_name(os.fsencode(item.name))
                if name in self.drops:
                    names.add(name)
                    continue
                is_folder = item.is_dir(follow_symlinks=False)
                if not is_folder and is_unfinished(item.name):
                    beside[finished_name(name)] = name
                elif not self._may_be_drop(item.name, is_folder=is_folder):
                    continue
                elif not is_folder and not item.is_file(follow_symlinks=False):
                    passed_over[name] = _NOT_TAKEN
                else:
                    self._see_first(name, Path(item.path), now_s, seen)
                    names.add(name)
        for gone in self.drops.keys() - names:
            self._lose(gone, seen)
        new = sorted(passed_over.items() - self._passed_over.items())
        seen.held += [(name, Hindrance(reason)) for name, reason in new]
        self._passed_over, self._beside, self._is_listed = passed_over, beside, True

    def _may_be_drop(self, name: str, *, is_folder: bool) -> bool:
        marker = self.inbox.ready_marker
        if marker is not None and not is_folder and name.endswith(marker_beside("", marker)):
            return False
        return may_be_drop(name, is_folder=is_folder)

    def _see_first(self, name: str, path: Path, now_s: float, seen: Seen) -> None:
        """Begin to watch a drop, whether it can be looked into or not."""
        watched = Watched.first(path, now_s, self._patience)
        if watched is None:
            return
        watched.is_other = self._is_listed
        self.drops[name] = watched
        self._moving.add(name)
        seen.new.append(name)
        if news := watched.news(now_s, self._patience):
            seen.held.append((name, news))

    def _lose(self, name: str, seen: Seen) -> None:
        del self.drops[name]
        self._moving.discard(name)
        seen.is_any_gone = True
