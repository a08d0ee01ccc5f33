"""Facts, plans and written files made up for the package tests."""

from __future__ import annotations

import dataclasses
import hashlib
import math
from pathlib import Path

from stemprep.model.facts import (
    ClipFacts,
    FileFacts,
    LevelFacts,
    LoudnessFacts,
    NonFinite,
    Overview,
    Runs,
    SilenceFacts,
    Sound,
    StereoFacts,
    WordFacts,
)
from stemprep.model.header import AudioFormat, Bext, Chunk, Header, HeaderFault
from stemprep.model.package import PackageContent, WrittenFile
from stemprep.model.plan import Operation, OutputPlan
from stemprep.package import Staging, open_staging, publish, seal

FORMAT = AudioFormat(
    container="WAV",
    encoding="integer",
    sample_rate_hz=48_000,
    channels=2,
    bit_depth=24,
    container_bits=24,
)


def sound(peak_dbfs: float = -6.0205999) -> Sound:
    is_silent = peak_dbfs == -math.inf
    return Sound(
        frames=96_000,
        audio_sha256="ab" * 32,
        level=LevelFacts(
            sample_peak_dbfs=peak_dbfs,
            sample_peak_channel=1,
            sample_peak_sample=12,
            true_peak_dbtp=peak_dbfs,
            true_peak_filter="long",
            channel_peaks_dbfs=(peak_dbfs, -math.inf),
            channel_rms_dbfs=(peak_dbfs - 3.0, -math.inf),
            rms_dbfs=peak_dbfs - 6.0,
            crest_factor_db=None if is_silent else 6.0,
            dc_offset=(-0.0, 1.25e-7),
        ),
        loudness=LoudnessFacts(
            loudness_lufs=None if is_silent else -20.123456,
            loudness_range_lu=None,
            max_momentary_lufs=-math.inf if is_silent else -19.0,
            max_short_term_lufs=None,
            is_range_meaningful=False,
            reason="every block is gated" if is_silent else "",
        ),
        clipping=ClipFacts(
            full_scale=Runs(count=1, samples=4, longest=4, runs=((1, 10, 14),)), flat_tops=Runs()
        ),
        silence=SilenceFacts(
            threshold_dbfs=-80.0,
            leading_samples=0,
            trailing_samples=3,
            stretches=((5, 9),),
            is_digital_silence=is_silent,
        ),
        stereo=StereoFacts(
            correlation=None,
            is_identical=False,
            difference_peak_dbfs=peak_dbfs,
            mono_sum_change_db=-math.inf,
        ),
        word=WordFacts(effective_bit_depth=24),
        non_finite=NonFinite(),
        overview=Overview(minimum=((0.0,),), maximum=((0.0,),)),
    )


def facts(peak_dbfs: float = -6.0205999, *, sha256: str = "cd" * 32) -> FileFacts:
    header = Header(
        format=FORMAT,
        declared_frames=96_000,
        frames=96_000,
        bext=Bext(time_reference_samples=172_800_000, umid=b"\x00" * 64, loudness_lufs=-20.1),
        chunks=(Chunk(identifier="fmt ", offset_bytes=20, size_bytes=16),),
    )
    return FileFacts(size_bytes=576_044, sha256=sha256, header=header, sound=sound(peak_dbfs))


def unreadable_facts() -> FileFacts:
    fault = HeaderFault(
        check="unreadable",
        code="no-riff",
        severity="fail",
        found="text",
        required="a RIFF file",
        message="not a sound file",
        advice="export it again",
    )
    return FileFacts(
        size_bytes=4, sha256="ef" * 32, header=Header(format=None, faults=(fault,)), sound=None
    )


def written(staging: Staging, path: str, content: bytes, **more: object) -> WrittenFile:
    """Write a made-up audio file into a staging folder, as the work room would."""
    target = Path(staging.file_for(path).path)
    target.write_bytes(content)
    sha256 = hashlib.sha256(content).hexdigest()
    after = facts(sha256=sha256)
    return WrittenFile(
        plan=OutputPlan(
            sources=(f"Sources/{path}",),
            path=path,
            role="stem",
            song="Lantern",
            operations=(
                Operation(name="gain", parameters={"gain_db": -3.0}, reason="ordered in the sheet"),
            ),
            format=FORMAT,
            frames=96_000,
        ),
        staged=str(target),
        sha256=sha256,
        sha512=hashlib.sha512(content).hexdigest(),
        size_bytes=len(content),
        before=(facts(),),
        after=after,
        **more,  # type: ignore[arg-type]
    )


AUDIO = {
    "stems/Bass.wav": b"RIFF bass" * 100,
    "stems/Voice.wav": b"RIFF voice" * 77,
    "mix/Lantern.wav": b"RIFF mix",
}
NAME = "lantern_delivery-1"


def content(
    staging: Staging, audio: dict[str, bytes] | None = None, **more: object
) -> PackageContent:
    """Stage a small package: three audio files, one carried document, one report."""
    files = tuple(
        written(staging, path, data) for path, data in (AUDIO if audio is None else audio).items()
    )
    documents = (
        staging.add_bytes("report/qc-report.txt", b"pass\n"),
        dataclasses.replace(
            staging.add_bytes("documents/notes.txt", b"bring the tambourine\n"), source="notes.txt"
        ),
    )
    fields: dict[str, object] = {
        "name": NAME,
        "bagging_date": "2026-03-01",
        "stemprep_version": "0.1.0",
        "spec_name": "mastering",
        "spec_title": "For mastering",
        "spec_sha256": "12" * 32,
        "files": files,
        "documents": documents,
        "bag_info": (("External-Description", "Lantern, stems for mastering"),),
        "made_with": {"numpy": "2.0"},
    }
    return PackageContent(**(fields | more))  # type: ignore[arg-type]


def sealed(destination: Path, job: str = "job", **more: object) -> Staging:
    """Return a sealed package, not yet published."""
    staging = open_staging(destination, job)
    seal(staging, content(staging, **more))  # type: ignore[arg-type]
    return staging


def delivered(destination: Path, name: str = NAME, **more: object) -> Path:
    """Publish a small package and return its folder."""
    with sealed(destination, **more) as staging:
        return Path(publish(staging, destination, name).path)
