"""What has arrived in the inboxes, and what of it is whole and still.

Events are not needed: ``scan`` finds everything by looking, and a hint only makes it look at once.
What lies still costs next to nothing: the top of an inbox is listed anew only when its own time has
moved, drops that were given out are looked at together, rarely, and the more seldom the longer
that takes.

Who still holds a file open for writing is asked of the system where it tells: proc(5) on Linux.
What other machines write on a share, and on some systems what other users' programs write, stays
unseen; keeping still is then all that tells.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from stemprep.intake import display_path
from stemprep.model.service import Inbox
from stemprep.service.inbox.drop_watcher import Hindrance
from stemprep.service.inbox.inbox import InboxWatch

_PROC = Path("/proc")


def open_for_writing(drops: Sequence[Path]) -> dict[Path, str]:
    """Which of some drops hold a file that a program has open for writing: its name, the program.

    One round through all programs, however many drops are asked for.
    """
    by_place = {os.path.realpath(drop): drop for drop in drops}
    found: dict[Path, str] = {}
    for process in _names(_PROC):
        if not process.isdigit():
            continue
        for handle in _names(_PROC / process / "fd"):
            with suppress(OSError):  # closed, or ended, while we look
                place = os.readlink(f"/proc/{process}/fd/{handle}")  # noqa: PTH115 - in a hot loop
                drop = _drop_of(place, by_place)
                if drop is not None and drop not in found and _is_written(process, handle):
                    name = display_path(os.path.basename(os.fsencode(place)))  # noqa: PTH119
                    found[drop] = f"{name}, by {_program(process)}"
    return found


def _drop_of(place: str, by_place: dict[str, Path]) -> Path | None:
    """Find the drop that a path is or lies in."""
    while len(place) > 1:
        if place in by_place:
            return by_place[place]
        place = os.path.dirname(place)  # noqa: PTH120 - in a hot loop
    return None


def _is_written(process: str, handle: str) -> bool:
    """Read the access mode from the octal flags of fdinfo, proc(5)."""
    for line in Path(f"/proc/{process}/fdinfo/{handle}").read_text().splitlines():
        if line.startswith("flags:"):
            return int(line.split()[1], 8) & os.O_ACCMODE != os.O_RDONLY
    return False


def _names(folder: Path) -> list[str]:
    try:
        return os.listdir(folder)  # noqa: PTH208 - names alone are wanted
    except OSError:
        return []


def _program(process: str) -> str:
    try:
        return (_PROC / process / "comm").read_text(errors="replace").strip()
    except OSError:
        return "a program that has just ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class Drop:
    r"""One drop in one state.

    name:        of folder or file as text; bytes that are not UTF-8 are written ``\xNN``.
    path:        absolute.
    fingerprint: 64 hexadecimal digits; another one whenever names, sizes, times or content change.
    files:       regular files in it, clutter not counted.
    size_bytes:  their sum.
    is_closed:   it cannot be looked into, so that nothing but its name is known.
    """

    inbox_index: int
    name: str
    path: Path
    fingerprint: str
    files: int
    size_bytes: int
    is_closed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Hint:
    """Something happened to ``name`` at the top of an inbox; "": it may have been anything."""

    inbox_index: int
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A drop or other entry that is not taken; told once.

    name:       as in ``Drop``; "" for the inbox itself.
    reason:     in words, without any name; "" where it is not held back any more.
    detail:     the files in the drop that it is about, "" for none.
    is_closed:  the drop cannot be looked into; told when it begins and when it has lasted.
    is_lasting: whether it has.
    is_other:   the drop is known to be another than the last one of its name.
    """

    inbox_index: int
    name: str
    path: Path
    reason: str
    detail: str = ""
    is_closed: bool = False
    is_lasting: bool = False
    is_other: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanResult:
    """What one scan found.

    received:    seen for the first time; they may still grow and have no fingerprint yet.
    ready:       whole and still. Each state of a drop is given out once in the life of the process,
                 so after a restart everything that lies there is given out again.
    held:        kept back although still, and entries that are never taken.
    unreachable: inboxes that cannot be listed now; in every scan.
    is_any_gone: a drop that was there at the scan before has left.
    """

    received: tuple[Drop, ...] = ()
    ready: tuple[Drop, ...] = ()
    held: tuple[Held, ...] = ()
    unreachable: tuple[Held, ...] = ()
    is_any_gone: bool = False


@dataclass(slots=True)
class Arrivals:
    """Watches over all inboxes; not to be shared between threads.

    rescan_s: longest time between two looks at everything that lies in an inbox, seconds; looking
              takes longer than a three-hundredth of it only where an inbox holds very much.
    why_away: says why the folder of an inbox is not the inbox now; "" where it is.
    """

    inboxes: Sequence[Inbox]
    rescan_s: float = 60.0
    why_away: Callable[[Path], str] = lambda _: ""
    _watches: list[InboxWatch] = field(init=False)

    def __post_init__(self) -> None:
        self._watches = [InboxWatch(box, self.rescan_s, self.why_away) for box in self.inboxes]

    def scan(self, now_s: float, hints: Collection[Hint] = ()) -> ScanResult:
        """Look wherever it is time to look.

        now_s: of a monotonic clock, seconds. Meant to be called about once a second, and whenever
        a hint has come; when it is not time to look yet this costs some microseconds an inbox.
        """
        received: list[Drop] = []
        held: list[Held] = []
        unreachable: list[Held] = []
        still: list[tuple[int, str]] = []
        is_any_gone = False
        for index, watch in enumerate(self._watches):
            hinted = {hint.name for hint in hints if hint.inbox_index == index}
            seen = watch.scan(now_s, hinted)
            received += [self._drop(index, name) for name in seen.new]
            still += [(index, name) for name in seen.still]
            held += [self._held(index, name, why) for name, why in seen.held]
            is_any_gone |= seen.is_any_gone
            if seen.trouble:
                unreachable.append(self._held(index, "", Hindrance(seen.trouble)))
        ready = self._given(still, held, now_s)
        return ScanResult(
            received=tuple(received),
            ready=ready,
            held=tuple(held),
            unreachable=tuple(unreachable),
            is_any_gone=is_any_gone,
        )

    def forget(self, inbox: Path, name: str) -> None:
        """Give a drop out once more, as soon as it is found whole and still again."""
        for watch in self._watches:
            if watch.inbox.path == inbox:
                watch.forget(name)

    @property
    def is_quiet(self) -> bool:
        """Whether keeping still would make no further drop ready; for ``--once``."""
        return all(watch.is_quiet for watch in self._watches)

    def _given(
        self, still: list[tuple[int, str]], held: list[Held], now_s: float
    ) -> tuple[Drop, ...]:
        """Give out what is still and not open for writing: one round through all programs."""
        candidates = [self._watches[index].drops[name] for index, name in still]
        asked = [watched.path for watched in candidates if not watched.look.is_marked]
        written = open_for_writing(asked) if asked else {}
        ready = []
        for index, name in still:
            watch = self._watches[index]
            writer = written.get(watch.drops[name].path)
            if writer is not None:
                hindrance = Hindrance("it is still open for writing", writer)
                news = watch.hold(name, hindrance, now_s)
                held += [self._held(index, name, news)] if news else []
            elif watch.give(name, now_s):
                ready.append(self._drop(index, name))
        return tuple(ready)

    def _held(self, index: int, name: str, hindrance: Hindrance) -> Held:
        watch = self._watches[index]
        watched = watch.drops.get(name)
        return Held(
            inbox_index=index,
            name=name,
            path=watched.path if watched is not None else watch.inbox.path / name,
            reason=hindrance.reason,
            detail=hindrance.detail,
            is_closed=hindrance.is_closed,
            is_lasting=hindrance.is_lasting,
            is_other=hindrance.is_other,
        )

    def _drop(self, index: int, name: str) -> Drop:
        watched = self._watches[index].drops[name]
        return Drop(
            inbox_index=index,
            name=name,
            path=watched.path,
            fingerprint=watched.given,
            files=watched.look.files,
            size_bytes=watched.look.size_bytes,
            is_closed=watched.hindrance is not None and watched.hindrance.is_closed,
        )
