"""Places that a person orders for new files: in samples, or at a bar of the session."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from stemprep.app.from_package import OpenPackage, merge
from stemprep.app.takes import timelines
from stemprep.errors import UsageError
from stemprep.lineage.placing import TAIL_S, Timeline
from stemprep.model.reconciliation import NewFile
from stemprep.naming import PathIndex
from stemprep.timeline import SongTimeline, timeline_of_song

_SAMPLES = re.compile(r"[+-]?\d{1,12}")
_BAR = re.compile(r"bar ?(-?\d{1,6})(?:,? beat ?(\d{1,3}))?", re.IGNORECASE)
_HOW = "give it as FILE=SAMPLES from the session's start, or as FILE='bar 17'"


def ordered_places(
    places: Sequence[str], new_files: Sequence[NewFile], package: OpenPackage
) -> dict[str, int]:
    """Returned path -> where it is to begin, samples of the session from its common start.

    places: ``PATTERN=SAMPLES`` or ``PATTERN=bar 17`` (``bar 17 beat 3``), as on a command line.
    UsageError where one names no new file, is no place, or lies outside the session.
    """
    new = {file.file: file for file in new_files}
    index = PathIndex(new)
    lines = timelines(package.manifest)
    found: dict[str, int] = {}
    for text in places:
        pattern, is_given, where = text.rpartition("=")
        if not is_given or not pattern or not where.strip():
            raise UsageError(f"--place {text}: {_HOW}")
        named = index.named_by(pattern)
        if not named:
            known = ", ".join(list(new)[:4]) or "none"
            raise UsageError(f"--place {text}: names no new file of the return (new: {known})")
        for path in named:
            sample = _sample(text, where.strip(), new[path], package, lines)
            if found.setdefault(path, sample) != sample:
                raise UsageError(f"--place {text}: two places are ordered for {path}; give one")
    return found


def _sample(
    text: str, where: str, file: NewFile, package: OpenPackage, lines: Mapping[str, Timeline]
) -> int:
    line = lines.get(file.song)
    if line is None:
        raise UsageError(f"--place {text}: {file.evidence}, so it has no start to count from")
    if _SAMPLES.fullmatch(where):
        sample = int(where)
    elif (bar := _BAR.fullmatch(where)) is not None:
        sample = _sample_of_bar(text, int(bar[1]), int(bar[2] or 1), file, package, line)
    else:
        raise UsageError(
            f"--place {text}: {where} is neither a number of samples nor a bar; {_HOW}"
        )
    if sample > line.frames + TAIL_S * line.rate_hz:
        raise UsageError(
            f"--place {text}: sample {sample:,} lies after the end of the session, which is "
            f"{line.frames:,} samples long"
        )
    return sample


def _sample_of_bar(
    text: str, bar: int, beat: int, file: NewFile, package: OpenPackage, line: Timeline
) -> int:
    bars = _bars_of(file.song, package, line)
    if bars.tempo_map is None or bars.bar_1_sample is None:
        why = bars.no_bar_1 or bars.no_map
        raise UsageError(
            f"--place {text}: the bars of the song are not known ({why}); give the place in samples"
        )
    beats = bars.tempo_map.meter_of(bar).beats
    if not 1 <= beat <= beats:
        raise UsageError(f"--place {text}: bar {bar} has beats 1 to {beats}")
    return bars.sample_of(bar, beat) - (line.start_samples or 0)


def _bars_of(song: str, package: OpenPackage, line: Timeline) -> SongTimeline:
    """The bars of a song as the package's own sheet and tempo files give them."""
    merged = merge(package, (), sheet=package.manifest.sheet)
    return timeline_of_song(
        merged.session.note_of(song), line.rate_hz, is_stamped=line.start_samples is not None
    )
