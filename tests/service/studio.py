"""A studio for tests: inboxes, destinations and a service that works them off in this process."""

from __future__ import annotations

import copy
import hashlib
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

import pytest
import structlog

from stemprep.dsp.block import SoundBlock
from stemprep.measure import SoundMeter
from stemprep.model.facts import Sound
from stemprep.model.service import (
    PLACE_FILE,
    DropLimits,
    Inbox,
    Retries,
    ServiceConfig,
)
from stemprep.package import verify_package
from stemprep.service import service
from stemprep.service.inbox import drop_watcher
from stemprep.service.jobs import Job
from stemprep.service.notices import Notices
from stemprep.service.place_making import make_places
from stemprep.service.service import Service
from stemprep.service.state_folder import state_folder
from stemprep.service.store import Store
from stemprep.work import measure
from tests import signals

NAMES = ("Kick", "Snare", "Bass")


@dataclass(slots=True)
class Studio:
    """One inbox that is delivered into one destination, all below ``root``."""

    root: Path
    config: ServiceConfig

    @classmethod
    def built(cls, root: Path, *, spec: str = "mastering", **inbox: object) -> Studio:
        """Make the folders; ``inbox``: further fields of the inbox."""
        for name in ("in", "out"):
            (root / name).mkdir(parents=True, exist_ok=True)
        only = Inbox(
            path=root / "in",
            specs=(spec,),
            deliver_to=(root / "out",),
            settle_s=0.0,
            is_polled=True,
        )
        config = ServiceConfig(
            state=root / "state",
            inboxes=(replace(only, **inbox),),  # type: ignore[arg-type]
            engine="inline",
            retries=Retries(attempts=3, first_wait_s=0.0, longest_wait_s=0.0),
            limits=DropLimits(),
        )
        studio = cls(root, config)
        studio.make_places()
        return studio

    @property
    def inbox(self) -> Path:
        return self.root / "in"

    @property
    def out(self) -> Path:
        return self.root / "out"

    def drop(
        self, name: str, *, seconds: float = 0.1, seed: int = 1, peak_dbfs: float = -6
    ) -> Path:
        """Drop three short files; other seeds give other sound."""
        folder = self.inbox / name
        folder.mkdir()
        for number, part in enumerate(NAMES):
            sound = signals.pluck(peak_dbfs=peak_dbfs, seconds=seconds, seed=10 * seed + number)
            signals.write_wav(folder / f"{part}.wav", sound)
        return folder

    def make_places(self, **changes: object) -> None:
        """Make known what the service does not know yet, as a person does once."""
        config = replace(self.config, **changes)  # type: ignore[arg-type]
        with state_folder(config.state), Store(config.state) as store:
            for _ in make_places(config, store, self.root):
                pass

    def run(self, **changes: object) -> int:
        """Work off what lies there; the service's exit code."""
        config = replace(self.config, **changes)  # type: ignore[arg-type]
        with state_folder(config.state), Store(config.state) as store:
            return Service(config=config, store=store, notices=Notices(()), is_once=True).run()

    def jobs(self) -> list[Job]:
        """All jobs, oldest first."""
        with Store(self.config.state, "read") as store:
            return store.jobs()

    def states(self) -> dict[str, str]:
        """Drop -> state of its newest job."""
        return {job.name: job.state for job in self.jobs()}

    def packages(self) -> list[str]:
        """Names that anybody sees in the destination, the index aside."""
        return sorted(
            path.name
            for path in self.out.iterdir()
            if not path.name.startswith(".") and path.name != "index.html"
        )

    def staging(self) -> list[str]:
        """Hidden names in the destination but for its identity."""
        return sorted(path.name for path in self.out.glob(".*") if path.name != PLACE_FILE)

    def require_only_whole_packages(self) -> None:
        """What is visible in the destination is proved whole."""
        for name in self.packages():
            proof = verify_package(self.out / name)
            assert proof.is_whole, (name, proof.damages)
            assert proof.is_complete, name


def hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have nobody wait for drops that keep still anyway, and keep the log out of the output."""
    monkeypatch.setattr(service, "SHORTEST_PACE_S", 0.01)
    monkeypatch.setattr(drop_watcher, "SHORTEST_PACE_S", 0.01)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))


class RememberedMeter:
    """In place of ``SoundMeter``: what was measured once of the same samples is not measured again.

    For tests that run the same delivery a hundred times, and prove nothing about its figures.
    """

    known: ClassVar[dict[object, Sound]] = {}

    def __init__(self, *made: object) -> None:
        self._made = made
        self._blocks: list[SoundBlock] = []

    def add(self, block: SoundBlock) -> None:
        self._blocks.append(copy.deepcopy(block))

    def finish(self) -> Sound:
        key = (self._made, *(block.samples.tobytes() for block in self._blocks))
        if key not in self.known:
            meter = SoundMeter(*self._made)  # type: ignore[arg-type]
            for block in self._blocks:
                meter.add(block)
            self.known[key] = meter.finish()
        return self.known[key]


def measure_each_sound_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have this process, and those forked from it, remember what they have measured."""
    monkeypatch.setattr(measure, "SoundMeter", RememberedMeter)


def digests(folder: Path) -> dict[str, str]:
    """Path -> sha256 of every file below a folder."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def ended(child: int) -> int:
    """Wait for a child; its exit code, negative for a signal."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
