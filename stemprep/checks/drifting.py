"""Files of one song that run apart: recorded to two clocks."""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.heard import ceiling_in_set
from stemprep.checks.mic_words import spoken
from stemprep.checks.song import Song
from stemprep.checks.tell import about_files, severity_under
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import MicLag
from stemprep.model.rule import RuleTable

_CHECK = "start-alignment"


def by_drift(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding a file whose lag against another of its source grows or shrinks."""
    by_path = {file.path: file for file in song.files}
    drifting: dict[str, list[MicLag]] = {}
    for lag in song.mic_lags:
        if lag.drift_ppm is not None:
            drifting.setdefault(lag.file, []).append(lag)
    for path, lags in drifting.items():
        file, first = by_path[path], max(lags, key=lambda lag: lag.confidence)
        severity = severity_under(
            ceiling_in_set(rules.for_role(file.role).severity, file.role), "warn"
        )
        ppm = first.drift_ppm
        if severity is None or ppm is None:
            continue
        apart_ms = abs(ppm) * 1e-3 * file.facts.header.frames / first.sample_rate_hz
        yield about_files(
            [file],
            _CHECK,
            severity,
            message=f"comes later and later against {spoken(first.reference)}, by {ppm:.1f} ppm "
            f"({apart_ms:.1f} ms over its length): the two were not recorded to one clock"
            if ppm > 0
            else f"comes earlier and earlier against {spoken(first.reference)}, by {-ppm:.1f} ppm "
            f"({apart_ms:.1f} ms over its length): the two were not recorded to one clock",
            advice="Ask which recorder ran on its own clock; nothing is stretched here.",
            against=[by_path[lag.reference] for lag in lags],
            found=round(ppm, 2),
            required=0,
            unit="ppm",
        )
