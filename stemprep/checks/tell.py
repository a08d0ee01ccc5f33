"""The words and the record of a finding: how every check says where, what, and how bad."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from stemprep.model.density import Density, density_of
from stemprep.model.facts import Sound
from stemprep.model.finding import MAX_WORST, Finding, Occurrence, Occurrences
from stemprep.model.header import AudioFormat
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredFile
from stemprep.model.words import SEVERITY_ORDER, Ceiling, OperationName, Severity, lower_severity
from stemprep.units import clock_from_samples

DENSITY_STRETCHES = 128  # as many bars as a narrow picture shows apart

Run = tuple[int, int, int]
"""(channel from 1, start, end) in samples."""


def heard(file: MeasuredFile) -> tuple[AudioFormat, Sound] | None:
    """Format and sound of a file; None where nothing could be decoded."""
    form, sound = file.facts.format, file.facts.sound
    return None if form is None or sound is None else (form, sound)


def severity_under(ceiling: Ceiling, own: Severity = "fail") -> Severity | None:
    """Severity of something that is at worst ``own``; None where the ceiling is off."""
    return None if ceiling == "off" else lower_severity(own, ceiling)


def worst_ceiling(rules: RuleTable, files: Iterable[MeasuredFile]) -> Ceiling:
    """Return the worst ceiling that the roles of several files have."""
    ceilings = [rules.for_role(file.role).severity for file in files]
    judged: list[Severity] = [ceiling for ceiling in ceilings if ceiling != "off"]
    return min(judged, key=lambda severity: SEVERITY_ORDER[severity]) if judged else "off"


def about_file(
    file: MeasuredFile,
    check: str,
    severity: Severity,
    *,
    message: str,
    advice: str,
    channel: int | None = None,
    start_sample: int | None = None,
    end_sample: int | None = None,
    occurrences: Occurrences | None = None,
    found: float | int | str | None = None,
    required: float | int | str | None = None,
    unit: str = "",
    repair: OperationName | None = None,
) -> Finding:
    """Make a finding on one file; figures that are not finite become None."""
    return Finding(
        check=check,
        severity=severity,
        message=message,
        advice=advice,
        file=file.path,
        files=(file.path,),
        song=file.source.song,
        channel=channel,
        start_sample=start_sample,
        end_sample=end_sample,
        occurrences=occurrences,
        found=finite(found),
        required=finite(required),
        unit=unit,
        repair=repair,
    )


def about_files(
    files: Sequence[MeasuredFile],
    check: str,
    severity: Severity,
    *,
    message: str,
    advice: str,
    against: Sequence[MeasuredFile] = (),
    found: float | int | str | None = None,
    required: float | int | str | None = None,
    unit: str = "",
    repair: OperationName | None = None,
) -> Finding:
    """Make a finding with one cause in one or more files; ``file`` is set only where it is one."""
    songs = {file.source.song for file in files}
    return Finding(
        check=check,
        severity=severity,
        message=message,
        advice=advice,
        file=files[0].path if len(files) == 1 else None,
        files=tuple(file.path for file in files),
        against=tuple(file.path for file in against),
        song=songs.pop() if len(songs) == 1 else None,
        found=finite(found),
        required=finite(required),
        unit=unit,
        repair=repair,
    )


def about_entries(
    paths: Sequence[str], check: str, severity: Severity, *, message: str, advice: str
) -> Finding:
    """Make a finding on things in the drop that are no audio; at least one."""
    return Finding(
        check=check,
        severity=severity,
        message=message,
        advice=advice,
        file=paths[0] if len(paths) == 1 else None,
        files=tuple(paths),
        found=len(paths),
        unit="files",
    )


def finite(value: float | int | str | None) -> float | int | str | None:
    """Return the value, or None for a number that is not finite."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def occurrences_of(runs: Sequence[Run], count: int, density: Density | None = None) -> Occurrences:
    """Return the ten longest of several runs, the earlier first where they are equal.

    density: of all of them, where ``runs`` are only the first.
    """
    ranked = sorted(runs, key=lambda run: (run[1] - run[2], run[1], run[0]))
    places = (
        Occurrence(channel=channel, start_sample=start, end_sample=end)
        for channel, start, end in ranked[:MAX_WORST]
    )
    return Occurrences(
        count=count,
        worst=tuple(places),
        density=density or listed_density([start for _, start, _ in runs]),
    )


def listed_density(starts: Sequence[int]) -> Density | None:
    """Where more places lie than are listed as the worst; None where those are all."""
    if len(starts) <= MAX_WORST:
        return None
    return density_of(starts, max(1, max(starts) // DENSITY_STRETCHES))


def channel_name(channel: int, channels: int) -> str:
    """How people call a channel: left and right in stereo, its number elsewhere."""
    if channels == 2:
        return "left" if channel == 1 else "right"
    return f"channel {channel}"


def place(channel: int, channels: int, sample: int, rate_hz: int) -> str:
    """``left at 0:01.250``; a mono file needs no channel."""
    clock = clock_from_samples(sample, rate_hz)
    return f"at {clock}" if channels == 1 else f"{channel_name(channel, channels)} at {clock}"


def count_of(number: int, noun: str) -> str:
    """``1 file``, ``1,200 files``."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def listed(names: Sequence[str], most: int = 4) -> str:
    """Return the first names, and how many more there are."""
    shown = ", ".join(names[:most])
    more = len(names) - most
    return shown if more <= 0 else f"{shown} and {more} more"


def word_name(form: AudioFormat) -> str:
    """``24-bit`` or ``32-bit float``."""
    return f"{form.bit_depth}-bit float" if form.encoding == "float" else f"{form.bit_depth}-bit"


def rate_name(rate_hz: int) -> str:
    """``44.1 kHz``; the plain number below 1 kHz."""
    return f"{rate_hz / 1000:g} kHz" if rate_hz >= 1000 else f"{rate_hz} Hz"


def span(samples: int, rate_hz: int) -> str:
    """``2 samples (0.04 ms)``, in seconds from one second on."""
    seconds = samples / rate_hz
    time = f"{seconds:.3f} s" if seconds >= 1 else f"{seconds * 1000:.2f} ms"
    return f"{count_of(samples, 'sample')} ({time})"
