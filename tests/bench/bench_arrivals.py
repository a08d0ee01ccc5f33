"""Cost of watching an inbox, and whether each of a thousand drops is given out once.

Run: ``python -m tests.bench.bench_arrivals`` (needs 100 MB of disk). CPU is user plus system time
of this process, all its threads counted, over wall time, while it does what the service does when
nothing happens: wait for hints, scan once a second. Memory is the resident high-water mark (VmHWM,
proc(5)).
"""

from __future__ import annotations

import argparse
import resource
import shutil
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from stemprep.model.service import Inbox
from stemprep.service.inbox.arrivals import Arrivals, ScanResult
from stemprep.service.inbox.events import Hints

FILES = 10_000
FILES_A_DROP = 25
DROPS = 1000
SETTLE_S = 2.0


@contextmanager
def inbox_folder(place: Path | None, *, is_polled: bool) -> Iterator[Inbox]:
    """A fresh inbox, on the disk that ``place`` lies on."""
    with tempfile.TemporaryDirectory(dir=place) as folder:
        path = Path(folder) / "inbox"
        path.mkdir()
        yield Inbox(
            path=path,
            specs=("base",),
            deliver_to=(Path(folder) / "out",),
            settle_s=SETTLE_S,
            is_polled=is_polled,
        )


def scans(inbox: Inbox, seconds: float) -> Iterator[ScanResult]:
    """What the service does between jobs, for some time."""
    arrivals, hints = Arrivals([inbox]), Hints([inbox])
    hints.start()
    end_s = time.monotonic() + seconds
    try:
        while time.monotonic() < end_s:
            yield arrivals.scan(time.monotonic(), hints.wait(1.0))
    finally:
        hints.close()


def cpu_s() -> float:
    """User and system time of this process."""
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def fill(inbox: Path, *, is_bare: bool) -> None:
    """10,000 small files: 400 drops of 25, or all at the top."""
    for number in range(FILES):
        folder = inbox if is_bare else inbox / f"Song {number // FILES_A_DROP:03}" / "Audio Files"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"take {number:05}.wav").write_bytes(b"x" * 100)


def measure_idle(place: Path | None, seconds: float, *, is_bare: bool, is_polled: bool) -> None:
    """CPU while 10,000 files lie there; counted from when all were given out."""
    with inbox_folder(place, is_polled=is_polled) as inbox:
        fill(inbox.path, is_bare=is_bare)
        wanted = FILES if is_bare else FILES // FILES_A_DROP
        given, begun_s, begun_cpu_s = 0, 0.0, 0.0
        for result in scans(inbox, seconds + 30):
            given += len(result.ready)
            if given >= wanted and not begun_s:
                begun_s, begun_cpu_s = time.monotonic(), cpu_s()
            if begun_s and time.monotonic() - begun_s >= seconds:
                break
        share = 100 * (cpu_s() - begun_cpu_s) / (time.monotonic() - begun_s)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        kind = "bare files" if is_bare else f"drops of {FILES_A_DROP} files"
        how = "polled" if is_polled else "with events"
        print(f"idle, {FILES:,} files, {kind}, {how}: {share:.3f} % of a core over "
              f"{seconds:.0f} s; {given:,} given out; peak {peak:.0f} MB")  # fmt: skip


def place_drops(outside: Path, inbox: Path, drops: int) -> None:
    """Half moved in, half copied, as fast as the disk allows."""
    for number in range(drops):
        if number % 2:
            (outside / str(number)).rename(inbox / f"drop {number:04}")
        else:
            shutil.copytree(outside / str(number), inbox / f"drop {number:04}")


def measure_burst(place: Path | None, drops: int) -> None:
    """Each of many drops must be given out once, in its whole state."""
    with inbox_folder(place, is_polled=False) as inbox:
        outside = inbox.path.with_name("outside")
        for number in range(drops):
            (outside / str(number)).mkdir(parents=True)
            for name in ("Kick", "Snare", "Bass"):
                (outside / str(number) / f"{name}.wav").write_bytes(name.encode() * 100)
        placing = threading.Thread(target=place_drops, args=(outside, inbox.path, drops))
        given: Counter[str] = Counter()
        partial, begun_s = 0, time.monotonic()
        placing.start()
        for result in scans(inbox, 120):
            given.update(drop.name for drop in result.ready)
            partial += sum(drop.files != 3 for drop in result.ready)
            if not placing.is_alive() and given.total() >= drops:
                break
        took_s = time.monotonic() - begun_s
        late = [drop.name for result in scans(inbox, 2 * SETTLE_S + 1) for drop in result.ready]
        print(
            f"burst, {drops:,} drops: {len(given):,} given out, "
            f"{given.total() - len(given)} twice, {partial} half; {took_s:.1f} s with a settle "
            f"time of {SETTLE_S:.0f} s; after a restart {len(late):,} again"
        )


def main() -> None:
    """Measure all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=180.0)
    parser.add_argument("--place", type=Path, default=None, help="a folder on the disk to measure")
    options = parser.parse_args()
    measure_burst(options.place, DROPS)
    for is_polled in (False, True):
        for is_bare in (False, True):
            measure_idle(options.place, options.seconds, is_bare=is_bare, is_polled=is_polled)


if __name__ == "__main__":
    main()
