"""The sound of what came back beside what was sent: what changed, and what is made of what."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from stemprep.app.corrections.merged_set import OpenPackage
from stemprep.containers import read_header
from stemprep.engine import Engine, JobDied
from stemprep.errors import InputError
from stemprep.intake import open_regular
from stemprep.lineage import DeliveredFile
from stemprep.lineage.added_silence import added_silence, added_to_source, unpadded_regions
from stemprep.lineage.matching import Match, Matches, same_sound_status
from stemprep.lineage.regions import SoundComparison
from stemprep.model.header import Header
from stemprep.model.reconciliation import AddedSilence, Region
from stemprep.model.session import MeasuredFile
from stemprep.work.both_sounds import ComparedFile, CompareJob
from stemprep.work.compare_sound import compare_sound
from stemprep.work.excerpts import SoundFile
from stemprep.work.relating import RelateJob, relate

PAYLOAD = "data"
MOST_RELATED = 256
"""Originals and new files that are searched for relatives: each is read once more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sounds:
    """Files of both sides, ready to be read, by payload path and by returned path.

    added: by payload path, silence that the package put around what it delivered.
    """

    delivered: Mapping[str, ComparedFile]
    returned: Mapping[str, ComparedFile]
    added: Mapping[str, AddedSilence]


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Matches with what their sound tells.

    changes:  by payload path, what was done to a changed original.
    derived:  returned path of a new file -> payload path of the original it was made of.
    """

    matches: Matches
    changes: Mapping[str, SoundComparison]
    derived: Mapping[str, str]


def sounds_of(
    package: OpenPackage,
    delivered: Sequence[DeliveredFile],
    root: str,
    files: Sequence[MeasuredFile],
) -> Sounds:
    """All that has sound on both sides; a package file that is not understood is left out."""
    sent = {file.path: _delivered_sound(package, file) for file in delivered}
    return Sounds(
        delivered={path: sound for path, sound in sent.items() if sound is not None},
        returned={
            file.path: ComparedFile(
                root=root,
                sound=_sound(file.path, file.source.entry.raw_path, file.facts.header),
            )
            for file in files
            if file.facts.sound is not None
        },
        added={file.path: added_silence(file) for file in delivered},
    )


def _delivered_sound(package: OpenPackage, file: DeliveredFile) -> ComparedFile | None:
    raw_path = os.fsencode(f"{PAYLOAD}/{file.path}")
    try:
        with open_regular(package.root, raw_path) as stream:
            header = read_header(stream, os.fstat(stream.fileno()).st_size, file.path)
    except (InputError, OSError):
        return None
    if not header.is_readable:
        return None
    return ComparedFile(root=package.root, sound=_sound(file.path, raw_path, header))


def _sound(path: str, raw_path: bytes, header: Header) -> SoundFile:
    return SoundFile(
        path=path,
        raw_path=raw_path,
        header=replace(header, bext=None, ixml=None, cues=(), info=(), faults=()),
        start_samples=header.time_reference_samples,
    )


def compare_matches(matches: Matches, sounds: Sounds, engine: Engine) -> Compared:
    """Compare every changed original, then look for originals in what seems to be new.

    A new file that still has most of the sound of an original which did not come back is that
    original, changed and renamed; what was processed throughout was made of it and is new.
    """
    changed = [match for match in matches.originals if match.status == "changed"]
    found = _compared([(match.original.path, _path(match)) for match in changed], sounds, engine)
    changes = {match.original.path: one for match, one in zip(changed, found, strict=True) if one}
    pairs = _related(matches, sounds, engine)
    likely = _compared(pairs, sounds, engine)
    derived: dict[str, str] = {}
    for (original, new), comparison in zip(pairs, likely, strict=True):
        if comparison is not None and comparison.is_of_original:
            derived[new] = original
            changes.setdefault(original, comparison)
    return _with_renamed(matches, changes, derived)


def _path(match: Match) -> str:
    assert match.returned is not None, "a changed original came back"
    return match.returned.path


def _compared(
    pairs: Sequence[tuple[str, str]], sounds: Sounds, engine: Engine
) -> list[SoundComparison | None]:
    jobs = [
        CompareJob(
            original=sounds.delivered[original],
            returned=sounds.returned[returned],
            added=sounds.added[original],
        )
        for original, returned in pairs
        if original in sounds.delivered and returned in sounds.returned
    ]
    results = iter(engine.run(compare_sound, jobs))
    found: list[SoundComparison | None] = []
    for original, returned in pairs:
        is_asked = original in sounds.delivered and returned in sounds.returned
        result = next(results) if is_asked else None
        found.append(None if isinstance(result, JobDied) else result)
    return found


def _related(matches: Matches, sounds: Sounds, engine: Engine) -> list[tuple[str, str]]:
    """(payload path, returned path) of new files whose loudness moves like an original's."""
    new = [file.path for file in matches.rest][:MOST_RELATED]
    known = list(sounds.delivered)[:MOST_RELATED]
    if not new or not known:
        return []
    job = RelateJob(
        originals=tuple(sounds.delivered[path] for path in known),
        new=tuple(sounds.returned[path] for path in new),
    )
    (result,) = engine.run(relate, [job])
    if isinstance(result, JobDied):
        return []
    return [(known[each.original], new[each.new]) for each in result]


def _with_renamed(
    matches: Matches, changes: dict[str, SoundComparison], derived: dict[str, str]
) -> Compared:
    """Take for changed and renamed what is made of an original that did not come back."""
    by_path = {file.path: file for file in matches.rest}
    originals: list[Match] = []
    for match in matches.originals:
        path = match.original.path
        is_kept = path in changes and _has_most(changes[path], match.original)
        heirs = [new for new, original in derived.items() if original == path and is_kept]
        if match.status == "missing" and heirs:
            originals.append(
                replace(match, returned=by_path[heirs[0]], status="changed", is_renamed=True)
            )
            del derived[heirs[0]]
        else:
            originals.append(match)
    taken = {match.returned.path for match in originals if match.returned is not None}
    rest = tuple(file for file in matches.rest if file.path not in taken)
    kept = {match.original.path for match in originals if match.status == "changed"}
    return Compared(
        matches=replace(
            matches, originals=tuple(_judged(each, changes) for each in originals), rest=rest
        ),
        changes={path: change for path, change in changes.items() if path in kept},
        derived=derived,
    )


def _judged(match: Match, changes: Mapping[str, SoundComparison]) -> Match:
    """The match, no change where it lacks nothing but silence that the package had added."""
    change = changes.get(match.original.path)
    is_unpadded = match.status == "changed" and change is not None and change.is_unpadded
    if match.returned is None or not is_unpadded:
        return match
    status = same_sound_status(match.original, "delivered", match.returned.facts)
    return replace(match, status=status)


def _has_most(comparison: SoundComparison, original: DeliveredFile) -> bool:
    """Tell whether most of it is the original still, be it at another level, place or rate."""
    lost = sum(
        region.end_sample - region.start_sample
        for region in comparison.regions
        if region.kind == "edited" or (region.kind == "processed" and region.gain_db is None)
    )
    return 2 * lost < (original.whole("frames") or 0)


def changed_regions(match: Match, comparison: SoundComparison | None) -> tuple[Region, ...]:
    """What differs from the original as delivered, and that the channels are others if they are.

    Of what came back as it was dropped, the silence that the package had added is missing.
    """
    frames = match.original.whole("frames") or 0
    if comparison is None:
        return _padding_of_source(match, frames)
    if not comparison.channels_words:
        return comparison.regions
    whole = Region(
        start_sample=0, end_sample=frames, kind="processed", words=comparison.channels_words
    )
    return (whole, *comparison.regions)


def _padding_of_source(match: Match, frames: int) -> tuple[Region, ...]:
    if match.matched != "source" or match.returned is None:
        return ()
    missing = added_to_source(match.original, match.returned.facts.header.frames)
    return () if missing is None else unpadded_regions(missing, frames)
