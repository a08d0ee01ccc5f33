"""Records of measured files, sessions and specs, so that checks are tested without any audio."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from stemprep.checks import CHECKS, Judgement, judge
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
    TransientFacts,
    WordFacts,
)
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat, Bext, Header, HeaderFault
from stemprep.model.null_test import NullTest
from stemprep.model.rule import DeliverySpec, Rule, RuleTable
from stemprep.model.session import (
    DropEntry,
    EntryKind,
    Hazard,
    MeasuredFile,
    MeasuredSession,
    Session,
    SourceFile,
)
from stemprep.model.sheet import SessionSheet, TrackNote
from stemprep.model.words import Container, Encoding, Role
from tests.shipped import base_spec

RATE_HZ = 48_000
SILENT = -float("inf")


def runs(*places: tuple[int, int, int], is_capped: bool = False) -> Runs:
    """Make runs with the tallies that belong to them."""
    lengths = [end - start for _, start, end in places]
    return Runs(
        count=len(places),
        samples=sum(lengths),
        longest=max(lengths, default=0),
        runs=places,
        is_capped=is_capped,
    )


def sound(
    *,
    channels: int = 1,
    frames: int = 10 * RATE_HZ,
    identity: str | None = None,
    peaks_dbfs: Sequence[float] | None = None,
    true_peak_dbtp: float | None = None,
    over_full_scale: int = 0,
    loudness_lufs: float | None = -20.0,
    dc_offset: Sequence[float] | None = None,
    full_scale: Runs | None = None,
    flat_tops: Runs | None = None,
    flat_top_dbfs: float | None = None,
    leading_samples: int = 0,
    trailing_samples: int = 0,
    is_identical: bool = False,
    difference_peak_dbfs: float = -12.0,
    effective_bit_depth: int | None = 24,
    non_finite: NonFinite | None = None,
) -> Sound:
    """Make a sound that no check minds, but for what is given."""
    peaks = tuple(peaks_dbfs or (-6.0,) * channels)
    return Sound(
        frames=frames,
        audio_sha256=hashlib.sha256((identity or str(frames)).encode()).hexdigest(),
        level=LevelFacts(
            sample_peak_dbfs=max(peaks),
            sample_peak_channel=peaks.index(max(peaks)) + 1,
            sample_peak_sample=RATE_HZ,
            true_peak_dbtp=max(peaks) if true_peak_dbtp is None else true_peak_dbtp,
            true_peak_filter="long",
            channel_peaks_dbfs=peaks,
            channel_rms_dbfs=tuple(peak - 12.0 for peak in peaks),
            rms_dbfs=max(peaks) - 12.0,
            crest_factor_db=12.0,
            dc_offset=tuple(dc_offset or (0.0,) * channels),
            samples_over_full_scale=over_full_scale,
        ),
        loudness=LoudnessFacts(
            loudness_lufs=loudness_lufs,
            loudness_range_lu=None,
            max_momentary_lufs=None,
            max_short_term_lufs=None,
            is_range_meaningful=False,
        ),
        clipping=ClipFacts(
            full_scale=full_scale or Runs(),
            flat_tops=flat_tops or Runs(),
            flat_top_dbfs=flat_top_dbfs,
        ),
        silence=SilenceFacts(
            threshold_dbfs=-80.0,
            leading_samples=leading_samples,
            trailing_samples=trailing_samples,
            stretches=(),
            is_digital_silence=max(peaks) == SILENT,
            edge_leading_samples=leading_samples,
            edge_trailing_samples=trailing_samples,
        ),
        stereo=None
        if channels != 2
        else StereoFacts(
            correlation=1.0 if is_identical else 0.2,
            is_identical=is_identical,
            difference_peak_dbfs=SILENT if is_identical else difference_peak_dbfs,
            mono_sum_change_db=None,
        ),
        word=WordFacts(effective_bit_depth=effective_bit_depth),
        non_finite=non_finite or NonFinite(),
        overview=Overview(minimum=(), maximum=()),
    )


def silence(*, channels: int = 1, frames: int = 10 * RATE_HZ, peak_dbfs: float = SILENT) -> Sound:
    """Make a sound that never rises above the silence level."""
    return sound(
        channels=channels,
        frames=frames,
        identity="silence",
        peaks_dbfs=(peak_dbfs,) * channels,
        loudness_lufs=None,
        leading_samples=frames,
        trailing_samples=frames,
        is_identical=True,
        effective_bit_depth=0,
    )


def measured_file(
    path: str = "Gtr.wav",
    heard: Sound | None = None,
    *,
    role: Role = "track",
    song: str = "",
    note: TrackNote | None = None,
    rate_hz: int = RATE_HZ,
    bit_depth: int = 24,
    container_bits: int | None = None,
    encoding: Encoding = "integer",
    container: Container = "WAV",
    channels: int | None = None,
    start_samples: int | None = None,
    faults: tuple[HeaderFault, ...] = (),
    is_readable: bool = True,
) -> MeasuredFile:
    """Make a 48 kHz 24-bit mono WAV track, but for what is given."""
    heard = heard or sound(identity=path)
    count = channels or len(heard.level.channel_peaks_dbfs)
    form = AudioFormat(
        container=container,
        encoding=encoding,
        sample_rate_hz=rate_hz,
        channels=count,
        bit_depth=bit_depth,
        container_bits=container_bits or bit_depth,
    )
    return MeasuredFile(
        source=SourceFile(entry=entry(path), role=role, role_evidence="test", song=song, note=note),
        facts=FileFacts(
            size_bytes=1,
            sha256="0" * 64,
            header=Header(
                format=form if is_readable else None,
                frames=heard.frames,
                faults=faults,
                bext=None if start_samples is None else Bext(time_reference_samples=start_samples),
            ),
            sound=heard if is_readable else None,
        ),
    )


def entry(
    path: str, kind: EntryKind = "audio", *, hazard: Hazard = "", reason: str = "test"
) -> DropEntry:
    """One thing in the drop."""
    return DropEntry(
        path=path, raw_path=path.encode(), kind=kind, size_bytes=1, reason=reason, hazard=hazard
    )


def fault(check: str, **changes: object) -> HeaderFault:
    """Make a fault of the worst severity, without a repair, but for what is given."""
    plain = HeaderFault(
        check=check,
        code="some-fault",
        severity="fail",
        found="what was found",
        required="what is required",
        message="the message",
        advice="the advice",
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def session(
    *files: MeasuredFile,
    others: Sequence[DropEntry] = (),
    sheet: SessionSheet | None = None,
    unmatched: tuple[str, ...] = (),
) -> MeasuredSession:
    """Make a session of these files, entries in path order."""
    entries = sorted((*(f.source.entry for f in files), *others), key=lambda e: e.raw_path)
    ordered = tuple(sorted(files, key=lambda f: f.source.entry.raw_path))
    return MeasuredSession(
        session=Session(
            name="Drop",
            root="/drop",
            archive=None,
            entries=tuple(entries),
            files=tuple(file.source for file in ordered),
            songs=tuple(dict.fromkeys(file.source.song for file in ordered)),
            sheet=sheet,
            unmatched=unmatched,
        ),
        files=ordered,
    )


def spec(
    rules: Mapping[str, Rule] | None = None,
    by_role: Mapping[str, Mapping[Role, Rule]] | None = None,
) -> DeliverySpec:
    """Make a spec of the base spec's limits in which every check warns, but for what is given."""
    base = base_spec()
    tables = {
        check: RuleTable(
            default=(rules or {}).get(check, replace(base.rules[check].default, severity="warn")),
            by_role=(by_role or {}).get(check, {}),
        )
        for check in CHECKS
    }
    return replace(base, name="test", title="", purpose="", sha256="", rules=tables)


def found_in(file: MeasuredFile, check: str, rule: Rule) -> list[Finding]:
    """Return what one per-file check says about one file."""
    return list(CHECKS[check].run(file, rule))


def judged(*files: MeasuredFile, **rules: Rule) -> Judgement:
    """Judge these files as a session; rules by check id with underscores."""
    named = {check.replace("_", "-"): rule for check, rule in rules.items()}
    return judge(session(*files), spec(named))


def findings_of(judgement: Judgement, check: str) -> list[Finding]:
    """Return the findings of one check."""
    return [finding for finding in judgement.findings if finding.check == check]


def with_transients(heard: Sound, transients: TransientFacts) -> Sound:
    """Give the same sound with what shows in a few samples."""
    return replace(heard, transients=transients)


def null_test(**changes: Any) -> NullTest:
    """Two stems that do not add up to their mix, for no reason that was found."""
    test = NullTest(
        song="",
        folder="",
        reference="MIX.wav",
        stems=("BASS.wav", "GTR.wav"),
        sample_rate_hz=48_000,
        frames=480_000,
        gain_db=0.0,
        sum_peak_dbfs=-1.5,
        residual_peak_dbfs=-32.0,
        residual_rms_dbfs=-47.0,
        limit_peak_dbfs=-118.0,
        limit_rms_dbfs=-133.0,
        verdict="not",
    )
    return replace(test, **changes)
