"""Verify packages, and tell for damaged audio whether the sound or only the header changed."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from stemprep.app.elsewhere import verify_remote
from stemprep.app.zipped import verify_zip
from stemprep.engine import Engine, JobDied, ProcessEngine
from stemprep.model.facts import FileFacts
from stemprep.model.package import Damage, Verification
from stemprep.package import expected_audio_hashes, verify_package
from stemprep.spec import load_spec
from stemprep.transfer import Address
from stemprep.work.measure import MeasureJob, measure_file


def verify(
    packages: Sequence[Path | Address], engine: Engine | None = None
) -> tuple[Verification, ...]:
    """One verification a package; raises DeliveryError for what is no package at all.

    packages: folders, zips, and the same in stores; what lies in a store is read whole from there.
    """
    return tuple(verify_one(package, engine or ProcessEngine()) for package in packages)


def verify_one(package: Path | Address, engine: Engine) -> Verification:
    """Verify one package wherever it lies, in a folder or in a zip."""
    if isinstance(package, Address):
        return verify_remote(package)
    if package.suffix.lower() == ".zip" and package.is_file():
        return verify_zip(package)
    return _refined(package, engine)


def _refined(package: Path, engine: Engine) -> Verification:
    result = verify_package(package)
    if not any(damage.kind == "changed" for damage in result.damages):
        return result
    expected = expected_audio_hashes(package)
    damaged = [d.path for d in result.damages if d.kind == "changed" and d.path in expected]
    facts = engine.run(measure_file, [_job(package, path) for path in damaged])
    measured = dict(zip(damaged, facts, strict=True))
    damages = tuple(_with_cause(damage, measured, expected) for damage in result.damages)
    return replace(result, damages=damages)


def _job(package: Path, path: str) -> MeasureJob:
    return MeasureJob(
        root=str(package.absolute()),
        raw_path=os.fsencode(path),
        name=path,
        settings=load_spec("base").measure,
    )


def _with_cause(
    damage: Damage, measured: Mapping[str, FileFacts | JobDied], expected: Mapping[str, str]
) -> Damage:
    facts = measured.get(damage.path)
    if facts is None:
        return damage
    if isinstance(facts, FileFacts) and facts.audio_sha256 == expected[damage.path]:
        return replace(
            damage,
            kind="header-changed",
            message="the header or metadata changed; the sound is as delivered, to the sample",
        )
    return replace(
        damage, kind="audio-changed", message="the sound changed; use another copy of this package"
    )
