"""The same sound more than once, under different names.

The wrong track was soloed twice and another one is missing; or a copy was left behind. In the mix
the doubled part is 6 dB louder.

Measured: the hash of the decoded samples (names, headers, containers and rate labels do not
matter). Silent files are no duplicates.
Limit: each sound once in a song (common practice, no source).
Passes: two takes of one part; a doubled guitar played twice.
Fails: `Gtr L.wav` and `Gtr R.wav` with the same samples; a hard link to a file beside it.
To do: look which track the copy should have been and export that one; or take the copy out.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from stemprep.checks.song import Song
from stemprep.checks.tell import about_files, listed, severity_under, worst_ceiling
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredFile

ID = "duplicate-audio"


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for the later copies of each sound."""
    for first, *copies in duplicate_groups(song.files):
        severity = severity_under(worst_ceiling(rules, (first, *copies)))
        if severity is None:
            continue
        yield about_files(
            copies,
            ID,
            severity,
            message=f"{listed([file.path for file in copies])}: the same samples as {first.path}",
            advice="Look which track this should have been and export it, or take the copy out.",
            against=[first],
            found=len(copies) + 1,
            required=1,
            unit="files",
        )


def duplicate_groups(files: Sequence[MeasuredFile]) -> list[list[MeasuredFile]]:
    """Return groups of two and more files with the same samples, silent ones left out."""
    by_hash: dict[str, list[MeasuredFile]] = defaultdict(list)
    for file in files:
        sound = file.facts.sound
        if sound is not None and sound.frames and not sound.silence.is_silent(sound.frames):
            by_hash[sound.audio_sha256].append(file)
    return [group for group in by_hash.values() if len(group) > 1]
