"""Have shares come and go at 200 seeded moments while the service works, and look after each.

Run: ``python -m tests.bench.bench_outages [--moments N] [--houses N] [--seed S]``; needs the right
to make a mount namespace (unshare(1)), and says so where that is missing. Inbox, two destinations
and the archive are disks of their own (tmpfs), mounted where the config names them; below each
mount point lies a folder of the same name on the machine's own disk, which takes whatever is
written there. Half of the inboxes lie on that disk themselves, so that a rename to the folder below
would succeed. At a step of the service chosen by the seed, among all that opens, reads, writes or
renames, one of the shares is unmounted, covered by an empty disk, read-only or full; it comes back
some steps later, or not before the next moment. Counted are what must not be: originals or anything
else on a wrong disk, originals lost, packages or originals twice, jobs set aside, packages that are
not whole.
"""

from __future__ import annotations

import argparse
import ctypes
import errno
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from stemprep.model.service import PLACE_FILE, Inbox, Retries, ServiceConfig
from stemprep.package import verify_package
from stemprep.service import archive, store
from tests import signals
from tests.service.dying import SYSTEM_CALLS, publish_module
from tests.service.studio import NAMES, Studio, digests, hurry

# mount(2), umount(2)
_MS_RDONLY, _MS_REMOUNT, _MS_BIND, _MNT_DETACH = 1, 32, 4096, 2
SHARES = ("in", "out", "copy", "shelf")
KINDS = ("unmounted", "covered", "read-only", "full")
WATCHED = (*SYSTEM_CALLS, "open", "stat", "lstat", "scandir", "listdir")
SHARE_BYTES = 48_000_000
LONGEST_OUTAGE_STEPS = 300
FAULTS = (
    "originals on a wrong disk", "anything else on a wrong disk", "originals lost",
    "originals twice", "packages twice", "packages not whole", "packages missing",
    "jobs set aside", "staging left",
)  # fmt: skip
_libc = ctypes.CDLL(None, use_errno=True)


def _mount(source: str, target: Path, kind: str, flags: int = 0, options: str = "") -> None:
    texts = [os.fsencode(text) for text in (source, target, kind, options)]
    if _libc.mount(texts[0], texts[1], texts[2], ctypes.c_ulong(flags), texts[3]) != 0:
        raise OSError(ctypes.get_errno(), f"mount {target}")


def _unmount(target: Path) -> None:
    if _libc.umount2(os.fsencode(target), _MNT_DETACH) != 0:
        raise OSError(ctypes.get_errno(), f"umount {target}")


@dataclass(slots=True)
class House:
    """Four shares, where they are mounted, and what lies below their mount points."""

    root: Path
    is_inbox_local: bool
    away: dict[str, str] = field(default_factory=dict)
    faults: Counter[str] = field(default_factory=Counter)
    originals: dict[str, dict[str, str]] = field(default_factory=dict)
    kinds: Counter[str] = field(default_factory=Counter)
    attempts: list[str] = field(default_factory=list)

    def build(self) -> None:
        """Make shares and mount points, and mount all."""
        for name in SHARES:
            for folder in ("shares", "mnt"):
                (self.root / folder / name).mkdir(parents=True)
            (self.root / "mnt" / name / "place").mkdir()
            options = f"size={SHARE_BYTES}"
            _mount("tmpfs", self.root / "shares" / name, "tmpfs", options=options)
            (self.root / "shares" / name / "place").mkdir()
            self._attach(name)
        (self.root / "below").mkdir()
        _mount(str(self.root / "mnt"), self.root / "below", "", _MS_BIND)
        (self.root / "local").mkdir()

    @property
    def inbox(self) -> Path:
        """The inbox as the config names it."""
        return self.root / ("local/in" if self.is_inbox_local else "mnt/in/place")

    def config(self) -> ServiceConfig:
        """The service's config."""
        mounted = self.root / "mnt"
        only = Inbox(
            path=self.inbox,
            specs=("mastering",),
            deliver_to=(mounted / "out/place", mounted / "copy/place"),
            after="archive",
            archive=mounted / "shelf/place",
            settle_s=0.0,
            is_polled=True,
        )
        return ServiceConfig(
            state=self.root / "state",
            inboxes=(only,),
            engine="inline",
            retries=Retries(attempts=3, first_wait_s=0.0, longest_wait_s=0.0),
        )

    # Outages

    def take_away(self, name: str, kind: str) -> None:
        """Begin an outage of a share."""
        place = self.root / "mnt" / name
        if kind == "unmounted":
            _unmount(place)
        elif kind == "covered":
            _mount("tmpfs", place, "tmpfs")
            (place / "place").mkdir()
        elif kind == "read-only":
            try:
                _mount("", place, "", _MS_REMOUNT | _MS_BIND | _MS_RDONLY)
            except OSError as error:
                if error.errno != errno.EBUSY:  # a file is open for writing just now
                    raise
                return
        else:
            with (self.root / "shares" / name / "filling").open("wb") as stream:
                found = os.statvfs(stream.fileno())
                os.posix_fallocate(stream.fileno(), 0, max(1, found.f_bavail * found.f_frsize))
        self.away[name] = kind
        self.kinds[kind] += 1

    def bring_back(self, name: str) -> None:
        """End an outage; what was written on a cover is counted first."""
        place = self.root / "mnt" / name
        kind = self.away.pop(name)
        if kind == "unmounted":
            self._attach(name)
        elif kind == "covered":
            self._count_strays(place)
            _unmount(place)
        elif kind == "read-only":
            _mount("", place, "", _MS_REMOUNT | _MS_BIND)
        else:
            (self.root / "shares" / name / "filling").unlink()

    def _attach(self, name: str) -> None:
        _mount(str(self.root / "shares" / name), self.root / "mnt" / name, "", _MS_BIND)

    # What must not be

    def look(self) -> None:
        """Count what lies where it must not, and what lies nowhere."""
        self._count_strays(self.root / "below")
        kept = Counter(
            sha256
            for place in self._original_places()
            for path, sha256 in digests(place).items()
            if ".incoming-" not in path
        )
        for files in self.originals.values():
            self.faults["originals lost"] += sum(sha256 not in kept for sha256 in files.values())

    def _original_places(self) -> tuple[Path, Path]:
        inbox = self.inbox if self.is_inbox_local else self.root / "shares/in/place"
        return inbox, self.root / "shares/shelf/place"

    def _count_strays(self, folder: Path) -> None:
        known = {sha256 for files in self.originals.values() for sha256 in files.values()}
        for sha256 in digests(folder).values():
            is_original = sha256 in known
            self.faults["originals on a wrong disk"] += is_original
            self.faults["anything else on a wrong disk"] += not is_original
        extra = [path for path in folder.rglob("*") if path.is_dir() and path.name != "place"]
        inside = [path for path in extra if path.parent.name == "place"]
        self.faults["anything else on a wrong disk"] += len(inside)

    def look_in_the_end(self, studio: Studio) -> None:
        """Every drop was delivered once, to both destinations, and lies in the archive once."""
        self.look()
        inbox, shelf = self._original_places()
        for name, files in self.originals.items():
            packages = f"{name}_mastering_01"
            for share in ("out", "copy"):
                package = self.root / "shares" / share / "place" / packages
                if not package.is_dir():
                    self.faults["packages missing"] += 1
                    continue
                proof = verify_package(package)
                self.faults["packages not whole"] += not (proof.is_whole and proof.is_complete)
            is_archived = digests(shelf / name) == files if (shelf / name).is_dir() else False
            self.faults["originals lost"] += not is_archived
            self.faults["originals twice"] += (inbox / name).exists()
        for share in ("out", "copy"):
            folder = self.root / "shares" / share / "place"
            names = {path.name for path in folder.iterdir()} - {PLACE_FILE, "index.html"}
            expected = {f"{name}_mastering_01" for name in self.originals}
            hidden = {name for name in names if name.startswith(".")}
            self.faults["staging left"] += len(hidden)
            self.faults["packages twice"] += len(names - hidden - expected)
        self.faults["originals twice"] += sum(
            path.name not in {*self.originals, PLACE_FILE} for path in shelf.iterdir()
        )
        delivered = Counter(job.name for job in studio.jobs() if job.state == "delivered")
        self.faults["packages twice"] += sum(count > 1 for count in delivered.values())
        self.faults["jobs set aside"] += sum(job.state == "set-aside" for job in studio.jobs())
        with store.Store(studio.config.state, "read") as opened:
            steps = [step for job in opened.jobs() for step in opened.steps(job.job)]
        self.attempts += [f"{step.state}: {step.reason}" for step in steps if step.attempts]


class Moment:
    """Acts at one step of the service, and again some steps later."""

    def __init__(self, begin_at: int, end_at: int | None, house: House, name: str, kind: str):
        self.count = 0
        self._begin_at, self._end_at = begin_at, end_at
        self._house, self._name, self._kind = house, name, kind
        self._lock = threading.Lock()
        self._acting = threading.local()

    def watch(self, function: Callable[..., Any]) -> Callable[..., Any]:
        """Count the calls of a function, and act before those that are chosen."""

        def watched(*arguments: Any, **named: Any) -> Any:
            if not getattr(self._acting, "is_so", False):
                with self._lock:
                    self._acting.is_so = True
                    self._act()
                    self._acting.is_so = False
            return function(*arguments, **named)

        return watched

    def _act(self) -> None:
        if self.count == self._begin_at and self._name not in self._house.away:
            self._house.take_away(self._name, self._kind)
        elif self.count == self._end_at and self._name in self._house.away:
            self._house.bring_back(self._name)
        self.count += 1


@contextmanager
def watched_calls(moment: Moment) -> Iterator[None]:
    """Have the moment see all that this process does with a disk through Python."""
    places: list[tuple[Any, str]] = [(os, name) for name in WATCHED]
    places += [(publish_module, "rename_exclusively"), (archive, "rename_exclusively")]
    places += [(store.Store, "transaction")]
    before = [(place, name, getattr(place, name)) for place, name in places]
    for place, name, function in before:
        setattr(place, name, moment.watch(function))
    try:
        yield
    finally:
        for place, name, function in before:
            setattr(place, name, function)


class Campaign:
    """One house and its service through many moments."""

    def __init__(self, root: Path, seed: int) -> None:
        self.chance = random.Random(seed)
        self.house = House(root, is_inbox_local=seed % 2 == 0)
        self.house.build()
        self.studio = Studio(root, self.house.config())
        self.house.inbox.mkdir(exist_ok=True)
        self.studio.make_places()
        self.steps = 0
        self.acted = 0

    def drop(self) -> None:
        """One more drop, in the inbox if that is there and can be written."""
        if "in" in self.house.away and not self.house.is_inbox_local:
            return
        number = len(self.house.originals)
        folder = self.house.inbox / f"Reel-{number:03d}"
        folder.mkdir()
        for part, name in enumerate(NAMES):
            sound = signals.pluck(peak_dbfs=-6, seconds=0.02, seed=100 * number + part)
            signals.write_wav(folder / f"{name}.wav", sound)
        self.house.originals[folder.name] = digests(folder)

    def calibrate(self) -> None:
        """Count the steps of one drop without an outage."""
        self.drop()
        moment = Moment(-1, None, self.house, "", "")
        with watched_calls(moment):
            self.studio.run()
        self.steps = moment.count

    def pass_moment(self) -> None:
        """Let one drop be worked off while a share goes, or comes back from before, or both."""
        for name in list(self.house.away):
            if self.chance.random() < 0.7:
                self.house.bring_back(name)
        self.drop()
        begin_at = self.chance.randrange(self.steps)
        end_at = None
        if self.chance.random() < 0.6:
            end_at = begin_at + self.chance.randint(1, LONGEST_OUTAGE_STEPS)
        shares = SHARES[1:] if self.house.is_inbox_local else SHARES
        here = [name for name in shares if name not in self.house.away] or list(shares)
        name, kind = self.chance.choice(here), self.chance.choice(KINDS)
        moment = Moment(begin_at, end_at, self.house, name, kind)
        before = self.house.kinds.total()
        with watched_calls(moment):
            self.studio.run()
        self.acted += self.house.kinds.total() > before
        self.house.look()

    def end(self) -> None:
        """Have all back and all worked off."""
        for name in list(self.house.away):
            self.house.bring_back(name)
        self.studio.run()
        self.house.look_in_the_end(self.studio)


def inside(moments: int, seed: int, houses: int) -> Counter[str]:
    """Run the campaign in this mount namespace; print its figures and return the faults."""
    faults: Counter[str] = Counter()
    kinds: Counter[str] = Counter()
    attempts: list[str] = []
    drops = acted = passed = 0
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patched:
        hurry(patched)
        top = Path(folder)
        _mount("tmpfs", top, "tmpfs")  # all mounts below go with it, whatever happens
        try:
            for number in range(houses):
                root = top / str(number)
                root.mkdir()
                campaign = Campaign(root, seed + number)
                campaign.calibrate()
                wanted = moments // houses + (number < moments % houses)
                while campaign.acted < wanted:
                    campaign.pass_moment()
                    passed += 1
                campaign.end()
                faults += campaign.house.faults
                kinds += campaign.house.kinds
                attempts += campaign.house.attempts
                drops += len(campaign.house.originals)
                acted += campaign.acted
                print(f"house {number + 1}: {campaign.acted} moments, faults "
                      f"{dict(+campaign.house.faults)}", flush=True)  # fmt: skip
        finally:
            _unmount(top)
    print(f"{acted} moments at which a share went while the service was at work, in {passed} runs")
    print(
        f"over {drops} drops in {houses} houses: {dict(kinds)}; {time.monotonic() - begun_s:.0f} s"
    )
    for fault in FAULTS:
        print(f"{fault}: {faults[fault]}")
    print(f"attempts counted: {len(attempts)}")  # a cover that came and went leaves no trace
    for reason in attempts:
        print(f"    {reason}")
    return faults


def namespace() -> list[str] | None:
    """How a mount namespace is made here; None where that is not allowed."""
    for way in (["unshare", "--mount"], ["unshare", "--map-root-user", "--mount"]):
        try:
            subprocess.run([*way, "mount", "-t", "tmpfs", "x", "/mnt"], check=True,
                           capture_output=True)  # fmt: skip
        except (OSError, subprocess.CalledProcessError):
            continue
        return way
    return None


def main() -> int:
    """Run the benchmark; 1 where something was that must not be."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--moments", type=int, default=200)
    parser.add_argument("--houses", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.inside:
        return int(bool(inside(wanted.moments, wanted.seed, wanted.houses).total()))
    way = namespace()
    if way is None:
        print("skipped: no mount namespace may be made here")
        return 0
    arguments = [f"--{name}={getattr(wanted, name)}" for name in ("moments", "houses", "seed")]
    command = [*way, sys.executable, "-m", "tests.bench.bench_outages", "--inside", *arguments]
    return subprocess.run(command, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
