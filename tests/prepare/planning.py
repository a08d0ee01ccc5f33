"""Measured sessions built from records or from sound, and specs to plan them by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from stemprep.dsp.block import SoundBlock
from stemprep.measure import SoundMeter
from stemprep.model.facts import FileFacts, SetFacts, SongFacts
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat, Bext, Header
from stemprep.model.plan import OutputPlan, Plan
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import DropEntry, MeasuredFile, MeasuredSession, Session, SourceFile
from stemprep.model.sheet import SessionSheet, TrackNote
from stemprep.model.words import Role
from stemprep.prepare import plan_delivery, render
from stemprep.spec import load_spec
from tests import signals
from tests.prepare.rendering import codes_of, form, source
from tests.shipped import measure_settings

Planar = npt.NDArray[np.float64]


def spec(name: str, **operations: Any) -> DeliverySpec:
    """A shipped spec with its operations changed; names stay as they are."""
    loaded = load_spec(name)
    return replace(
        loaded,
        operations=replace(loaded.operations, **operations),
        naming=replace(loaded.naming, is_numbered=False),
    )


def numbered_spec() -> DeliverySpec:
    """The overdub spec with its order numbers."""
    return load_spec("overdub")


def samples_of(file: MeasuredFile) -> Planar:
    """The samples that ``sounding`` made the file from."""
    return _SAMPLES[id(file)][1]


_SAMPLES: dict[int, tuple[MeasuredFile, Planar]] = {}


def sounding(
    path: str,
    samples: Planar | None = None,
    *,
    role: Role = "track",
    song: str = "",
    file_form: AudioFormat | None = None,
    start: int | None = None,
    note: TrackNote | None = None,
    **header: Any,
) -> MeasuredFile:
    """A file with sound, measured by the real meter; ``start`` gives it a bext time reference."""
    sound = signals.pluck(peak_dbfs=-6, seconds=0.5) if samples is None else samples
    used = file_form or form(24, channels=sound.shape[0])
    if used.encoding == "integer":
        codes = codes_of(sound, used.bit_depth)
        sound = codes.T / 2.0**31
        narrow = sound.astype(np.float32) if used.bit_depth <= 24 else sound
        block = SoundBlock(samples=narrow, codes=codes)
    else:
        block = SoundBlock(samples=sound, codes=None)
    meter = SoundMeter(used, measure_settings())
    meter.add(block)
    bext = header.pop("bext", None)
    if start is not None:
        bext = replace(bext or Bext(originator="a desk"), time_reference_samples=start)
    known = {"data_size_bytes": 1, "frames": sound.shape[1], "format": used} | header
    facts = FileFacts(
        size_bytes=1, sha256="0" * 64, header=Header(bext=bext, **known), sound=meter.finish()
    )
    file = MeasuredFile(source=_source(path, role, song, note), facts=facts)
    _SAMPLES[id(file)] = (file, sound)
    return file


def unreadable(path: str) -> MeasuredFile:
    """A file that gave nothing."""
    facts = FileFacts(size_bytes=9, sha256="1" * 64, header=Header(format=None), sound=None)
    return MeasuredFile(source=_source(path, "track", "", None), facts=facts)


def _source(path: str, role: Role, song: str, note: TrackNote | None) -> SourceFile:
    entry = DropEntry(path=path, raw_path=path.encode(), kind="audio")
    return SourceFile(entry=entry, role=role, role_evidence="test", song=song, note=note)


def session(
    *files: MeasuredFile, sheet: SessionSheet | None = None, others: Sequence[DropEntry] = ()
) -> MeasuredSession:
    """A drop of these files and of other entries."""
    entries = (*(file.source.entry for file in files), *others)
    titles = dict.fromkeys(file.source.song for file in files)
    return MeasuredSession(
        session=Session(
            name="drop",
            root="/nowhere",
            archive=None,
            entries=tuple(sorted(entries, key=lambda entry: entry.raw_path)),
            files=tuple(file.source for file in files),
            songs=tuple(title for title in titles if title),
            sheet=sheet,
        ),
        files=files,
    )


def planned(
    measured: MeasuredSession,
    used: DeliverySpec,
    *,
    pairs: Sequence[tuple[str, str]] = (),
    findings: Sequence[Finding] = (),
    rate_hz: int = 48_000,
    bits: int = 24,
) -> Plan:
    """The plan for a session whose songs run at one rate and word length."""
    titles = dict.fromkeys(file.source.song for file in measured.files)
    songs = tuple(
        SongFacts(song=title, files=1, sample_rate_hz=rate_hz, bit_depth=bits) for title in titles
    )
    return plan_delivery(measured, SetFacts(pairs=tuple(pairs), songs=songs), findings, used)


def finding(check: str, path: str, **more: Any) -> Finding:
    """A warning on one file."""
    return Finding(check=check, severity="warn", message="m", advice="a", file=path, **more)


def output_of(plan: Plan, *sources: str) -> OutputPlan:
    """The one output made from these files."""
    (found,) = [output for output in plan.outputs if output.sources == sources]
    return found


def names_of(output: OutputPlan) -> list[str]:
    """The planned operations' names."""
    return [step.name for step in output.operations]


def carried_out(output: OutputPlan, measured: MeasuredSession) -> Planar:
    """Render the output from the samples its sources were made from."""
    by_path = {file.path: file for file in measured.files}
    sources = []
    for path in output.sources:
        file = by_path[path]
        assert file.facts.format is not None
        sources.append(
            source(
                samples_of(file),
                file.facts.format,
                audio_sha256=file.facts.audio_sha256 or "",
                sizes=(10_007,),
            )
        )
    blocks = list(render(output, sources))
    return np.concatenate([np.asarray(block.samples, np.float64) for block in blocks], axis=1)
