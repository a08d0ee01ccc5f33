"""Verify packages, and tell of damaged audio what happened to its sound."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from stemprep.app.delivery.remote import verify_remote
from stemprep.app.delivery.zip_package import verify_zip
from stemprep.checks.truncated import ID as TRUNCATED
from stemprep.engine import Engine, JobDied, ProcessEngine
from stemprep.model.facts import FileFacts
from stemprep.model.package import Damage, Verification
from stemprep.package import DeliveredSound, delivered_files, verify_package
from stemprep.spec import load_spec
from stemprep.transfer import Address
from stemprep.units import clock_from_samples
from stemprep.work.measure import MeasureJob, measure_file

FETCH_ADVICE = "keep this file until it has been fetched whole from another copy of the package"


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
    delivered = delivered_files(package, {damage.path for damage in result.damages})
    known = [
        damage
        for damage in result.damages
        if damage.kind == "changed"
        and damage.path in delivered
        and delivered[damage.path].audio_sha256 is not None
    ]
    places = [damage.path if damage.cause else damage.found_at or damage.path for damage in known]
    facts = engine.run(measure_file, [_job(package, place) for place in places])
    explained = {
        damage.path: _explained(damage, found, delivered[damage.path])
        for damage, found in zip(known, facts, strict=True)
    }
    damages = tuple(explained.get(damage.path, damage) for damage in result.damages)
    return replace(result, damages=damages)


def _job(package: Path, path: str) -> MeasureJob:
    return MeasureJob(
        root=str(package.absolute()),
        raw_path=os.fsencode(path),
        name=path,
        settings=load_spec("base").measure,
    )


def _explained(damage: Damage, facts: FileFacts | JobDied, before: DeliveredSound) -> Damage:
    """Say of one changed audio file what its sound tells; where its bytes lie is said already."""
    if isinstance(facts, FileFacts) and facts.audio_sha256 == before.audio_sha256:
        return _header_changed(damage, facts, before)
    changed = replace(damage, kind="audio-changed")
    if damage.cause is not None or not isinstance(facts, FileFacts) or not facts.sha256:
        return changed
    name = f"lies here as {damage.found_at}, in other letters, and " if damage.found_at else ""
    if _is_cut_off(facts, before):
        return _cut_off(changed, facts, before, name)
    if facts.sound is not None and _form_of(facts) != _form_before(before):
        message = (
            f"{name}is another file: {_sound_words(facts)}; delivered: {_before_words(before)}. "
            "Nothing here knows what it is: keep it, outside the package, and fetch the delivered "
            "one from another copy"
        )
        return replace(changed, cause="replaced", message=message)
    return _changed_somewhere(changed, facts, before, name)


def _header_changed(damage: Damage, facts: FileFacts, before: DeliveredSound) -> Damage:
    message = "the header or metadata changed; the sound is as delivered, to the sample"
    size_bytes = before.size_bytes
    if damage.cause is not None:
        return replace(damage, kind="header-changed", message=f"{message}; it {damage.message}")
    if size_bytes is not None and facts.size_bytes > size_bytes:
        message = f"{facts.size_bytes - size_bytes:,} bytes were added to it; {message}"
        return replace(damage, kind="header-changed", message=message, cause="grown")
    if size_bytes is not None and facts.size_bytes < size_bytes:
        message = f"{size_bytes - facts.size_bytes:,} bytes of it are missing; {message}"
    return replace(damage, kind="header-changed", message=message)


def _is_cut_off(facts: FileFacts, before: DeliveredSound) -> bool:
    """Tell a file whose own header still promises the length that was delivered."""
    is_short = before.size_bytes is not None and facts.size_bytes < before.size_bytes
    return is_short and any(fault.check == TRUNCATED for fault in facts.header.faults)


def _cut_off(damage: Damage, facts: FileFacts, before: DeliveredSound, name: str) -> Damage:
    header, size_bytes = facts.header, before.size_bytes or 0
    message = f"{name}is cut off at byte {facts.size_bytes:,} of {size_bytes:,}"
    at_s = None
    if header.format is not None and before.frames:
        rate_hz = header.format.sample_rate_hz
        at_s = header.frames / rate_hz
        message += (
            f": its sound ends at {clock_from_samples(header.frames, rate_hz)} instead of "
            f"{clock_from_samples(before.frames, rate_hz)}"
        )
    return replace(
        damage,
        cause="cut-off",
        message=f"{message}; {FETCH_ADVICE}",
        at_byte=facts.size_bytes,
        at_s=at_s,
    )


def _form_of(facts: FileFacts) -> tuple[int, int, int]:
    form = facts.header.format
    assert form is not None, "a file with sound has a format"
    frames = facts.header.frames if facts.sound is None else facts.sound.frames
    return frames, form.sample_rate_hz, form.channels


def _form_before(before: DeliveredSound) -> tuple[int | None, int | None, int | None]:
    return before.frames, before.sample_rate_hz, before.channels


def _sound_words(facts: FileFacts) -> str:
    frames, rate_hz, channels = _form_of(facts)
    return _form_words(frames, rate_hz, channels)


def _before_words(before: DeliveredSound) -> str:
    if before.frames is None or not before.sample_rate_hz or before.channels is None:
        return "not this"
    return _form_words(before.frames, before.sample_rate_hz, before.channels)


def _form_words(frames: int, rate_hz: int, channels: int) -> str:
    one = "1 channel" if channels == 1 else f"{channels} channels"
    return f"{clock_from_samples(frames, rate_hz)} at {rate_hz:,} Hz in {one}"


def _changed_somewhere(
    damage: Damage, facts: FileFacts, before: DeliveredSound, name: str
) -> Damage:
    """The same length and form: where it differs only a decoder's own checksums can tell."""
    faults = [fault for fault in facts.header.faults if fault.severity == "fail"]
    size_bytes = before.size_bytes
    what = f"{name}the sound changed"
    at_s = None
    if faults:
        what += f" ({faults[0].message})"
        place, form = faults[0].start_sample, facts.header.format
        at_s = None if place is None or form is None else place / form.sample_rate_hz
    elif size_bytes is not None and facts.size_bytes != size_bytes:
        what += f"; it has {facts.size_bytes:,} bytes, {size_bytes:,} were delivered"
    else:
        what += (
            "; its length and form did not. Where it differs can be said beside a whole copy: "
            "verify with --copy"
        )
    return replace(damage, message=f"{what}; {FETCH_ADVICE}", at_s=at_s)
