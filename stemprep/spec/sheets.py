"""Session sheets: from the bytes in a drop, and from the manifest of a package.

Both are held to the same ranges and forms: a package proves that it is whole, not who made it. A
sheet reads no other file and steers nothing outside its drop.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from stemprep.errors import SpecError
from stemprep.model.record_codec import UnfitRecordError, decode_record
from stemprep.model.sheet import MidiTempo, SessionSheet, SongNote, TrackNote
from stemprep.spec.keys import sheet_keys, spec_keys
from stemprep.spec.problems import Path_, Problems, dotted, shown
from stemprep.spec.reading import Reading, read_keys
from stemprep.spec.shapes import build_record, keys_of
from stemprep.spec.tree import read_tree

_BEGINNING = 'artist: and title: (for example artist: "The Tidal Clerks")'
_CANNOT_SET = "a session sheet travels with the drop and cannot set it"
TempoFiles = Callable[[str], MidiTempo]
"""From a path as the sheet writes it to the content; ValueError says in words what is wrong."""


def _elsewhere() -> dict[str, str]:
    """Keys that people try at the top of a sheet, and where they belong instead."""
    places = ("deliver_to", "destination", "inboxes", "state", "after", "archive", "path")
    return {
        **dict.fromkeys(keys_of(TrackNote).shapes, "it belongs to an entry of tracks:"),
        **dict.fromkeys(keys_of(SongNote).shapes, "it belongs to an entry of songs:"),
        **dict.fromkeys(("spec", *spec_keys().shapes), f"{_CANNOT_SET}; it belongs in the spec"),
        **dict.fromkeys(places, f"{_CANNOT_SET}; where a package goes is said on the command line"),
    }


def read_sheet(content: bytes, name: str, tempo_files: TempoFiles | None = None) -> SessionSheet:
    """See ``stemprep.spec.load_sheet``."""
    problems = Problems()
    keys = sheet_keys()
    reading = read_keys(read_tree(content, name, _BEGINNING), keys, problems, _elsewhere())
    if problems:
        raise SpecError(problems.messages())
    sheet: SessionSheet = build_record(keys, reading.values)
    if tempo_files is not None:
        sheet = replace(sheet, songs=_with_tempo_files(sheet, tempo_files, reading, problems))
        if problems:
            raise SpecError(problems.messages())
    return replace(
        sheet, sha256=hashlib.sha256(content).hexdigest(), warnings=tuple(reading.warnings)
    )


def _with_tempo_files(
    sheet: SessionSheet, tempo_files: TempoFiles, reading: Reading, problems: Problems
) -> tuple[SongNote, ...]:
    """Put the content of each song's tempo file beside its path; what fails is reported there."""
    songs = []
    for index, song in enumerate(sheet.songs):
        if song.tempo_file is None:
            songs.append(song)
            continue
        try:
            songs.append(replace(song, tempo_read=tempo_files(song.tempo_file)))
        except ValueError as error:
            path: Path_ = ("songs", index, "tempo_file")
            message = f"{shown(song.tempo_file)} {error}"
            problems.add(reading.places[path].mark, dotted(path), message)
    return tuple(songs)


def recorded_sheet(record: Mapping[str, Any], name: str) -> SessionSheet:
    """Give the sheet of a manifest's ``sheet``; SpecError names the first field that is unfit.

    record: fields of the sheet's records as JSON gives them; name: what messages call the file.
    """
    try:
        return decode_record(SessionSheet, {**record, "warnings": ()})
    except UnfitRecordError as error:
        raise SpecError(
            (
                f"{name}: sheet, {error}; "
                "the sheet of this package was not written by stemprep: use another copy of it",
            )
        ) from error
    except RecursionError as error:
        raise SpecError(
            (f"{name}: its sheet cannot be read; take another copy of the package",)
        ) from error
