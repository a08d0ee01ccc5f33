"""The same inbox worked off by different engines."""

from __future__ import annotations

import os
import zipfile
from dataclasses import dataclass, replace
from pathlib import Path
from unittest import mock

from stemprep.engine import Engine, InlineEngine, ProcessEngine
from stemprep.model.service import PLACE_FILE
from stemprep.service import service
from tests.service.studio import Studio, digests

CLOCK = "1773522000"


@dataclass(frozen=True, slots=True)
class Outcome:
    """packages: path -> sha256 of every file delivered; jobs: drop -> state and verdict."""

    packages: dict[str, str]
    jobs: dict[str, tuple[str, str]]


def worked_off(root: Path, engine: str, drops: int, scheduler: str = "") -> Outcome:
    """Work off a fresh inbox; engine: ``inline``, ``processes`` or ``dask``."""
    studio = Studio.built(root)
    _fill(studio, drops)
    if engine == "dask":
        studio.config = replace(studio.config, engine="dask", scheduler=scheduler)
    local: dict[str, Engine] = {"inline": InlineEngine(), "processes": ProcessEngine(workers=2)}
    fitting = service.engine_of if engine == "dask" else lambda _: local[engine]
    with (
        mock.patch.object(service, "engine_of", fitting),
        mock.patch.dict(os.environ, {"SOURCE_DATE_EPOCH": CLOCK}),
    ):
        assert studio.run() == 0
    assert not studio.staging()
    packages = digests(studio.out)
    del packages["index.html"], packages[PLACE_FILE]
    return Outcome(packages, {job.name: (job.state, job.verdict) for job in studio.jobs()})


def _fill(studio: Studio, drops: int) -> None:
    """Drops of three files; of every four the third has a file cut short, the fourth is a zip."""
    for number in range(drops):
        folder = studio.drop(f"drop {number:02}", seed=number)
        if number % 4 == 2:
            os.truncate(folder / "Bass.wav", (folder / "Bass.wav").stat().st_size // 2)
        if number % 4 == 3:
            with zipfile.ZipFile(studio.inbox / f"{folder.name}.zip", "w") as archive:
                for file in sorted(folder.iterdir()):
                    archive.write(file, file.name)
                    file.unlink()
            folder.rmdir()
