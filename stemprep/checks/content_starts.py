"""Starts of files without time references, by a signal that they share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from stemprep.checks.heard import ceiling_in_set
from stemprep.checks.mic_words import spoken
from stemprep.checks.song import Song
from stemprep.checks.tell import about_files, severity_under, span
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import ContentLag
from stemprep.model.null_test import Placement
from stemprep.model.rule import RuleTable

_CHECK = "start-alignment"
# Two that share a signal say nothing of which of them is early: it takes a majority.
MIN_SHARING = 3
PLACEMENTS: tuple[Placement, ...] = ("file-start", "time-reference")


def by_content(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding a file that holds the shared signal earlier or later than most."""
    if song.stamped:  # the sound is then evidence for one of two readings: time-reference tells it
        return
    common = common_lag(song.content_lags)
    if common is None:
        return
    by_path = {file.path: file for file in song.files}
    agreeing = [by_path[lag.file] for lag in song.content_lags if lag.lag_samples == common]
    for lag in song.content_lags:
        file = by_path[lag.file]
        late = lag.lag_samples - common
        severity = severity_under(
            ceiling_in_set(rules.for_role(file.role).severity, file.role), "warn"
        )
        if not late or severity is None:
            continue
        yield about_files(
            [file],
            _CHECK,
            severity,
            message=f"holds the sound of {spoken(agreeing[0].path)} "
            f"{span(abs(late), lag.sample_rate_hz)} {'later' if late > 0 else 'earlier'} than "
            f"{len(agreeing)} files that agree; without a time reference the sound is the only "
            "evidence",
            advice="Look for latency that was not made up for, and export it again; "
            "adding silence at its end does not move it.",
            against=agreeing,
            found=late,
            required=0,
            unit="samples",
        )


def placements_by_content(song: Song, path: str) -> list[Placement]:
    """By which placements a file's sound lies where that of the others does; few know."""
    fitting: list[Placement] = []
    for placement in PLACEMENTS:
        lags = [lag for lag in song.content_lags if lag.placed_by == placement]
        others = [lag.lag_samples for lag in lags if lag.file != path]
        own = [lag.lag_samples for lag in lags if lag.file == path]
        if own and others and own[0] == Counter(others).most_common(1)[0][0]:
            fitting.append(placement)
    return fitting


def common_lag(lags: Sequence[ContentLag]) -> int | None:
    """The lag that most of at least three have; None where no lag has more than the others."""
    if len(lags) < MIN_SHARING:
        return None
    counts = Counter(lag.lag_samples for lag in lags).most_common(2)
    if counts[0][1] < 2 or (len(counts) > 1 and counts[1][1] == counts[0][1]):
        return None
    return counts[0][0]
