"""A session sheet from the bytes in a drop: reads no other file, steers nothing outside it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import Any

from stemprep.errors import SpecError
from stemprep.model.sheet import (
    BarOne,
    MidiTempo,
    Section,
    SessionSheet,
    SongNote,
    TempoMark,
    TrackNote,
    Waiver,
    WorkOrder,
)
from stemprep.spec.freezing import keys_of
from stemprep.spec.problems import Path_, Problems, dotted, shown
from stemprep.spec.reading import Reading, read_model, validate
from stemprep.spec.schema import SpecKeys
from stemprep.spec.schema_sheet import SheetKeys, SongKeys, TrackKeys
from stemprep.spec.tree import read_tree

_BEGINNING = 'artist: and title: (for example artist: "The Tidal Clerks")'
_CANNOT_SET = "a session sheet travels with the drop and cannot set it"
_ELSEWHERE = {
    **dict.fromkeys(TrackKeys.model_fields, "it belongs to an entry of tracks:"),
    **dict.fromkeys(SongKeys.model_fields, "it belongs to an entry of songs:"),
    **dict.fromkeys(("spec", *SpecKeys.model_fields), f"{_CANNOT_SET}; it belongs in the spec"),
    **dict.fromkeys(
        ("deliver_to", "destination", "inboxes", "state", "after", "archive", "path"),
        f"{_CANNOT_SET}; where a package goes is said on the command line",
    ),
}
TempoFiles = Callable[[str], MidiTempo]
"""From a path as the sheet writes it to the content; ValueError says in words what is wrong."""


def read_sheet(content: bytes, name: str, tempo_files: TempoFiles | None = None) -> SessionSheet:
    """See ``stemprep.spec.load_sheet``."""
    problems = Problems()
    reading = read_model(read_tree(content, name, _BEGINNING), SheetKeys, problems, _ELSEWHERE)
    model = validate(SheetKeys, reading, problems)
    if problems or model is None:
        raise SpecError(problems.told())
    values = model.model_dump(exclude_unset=True)
    if tempo_files is not None:
        _read_tempo_files(values, tempo_files, reading, problems)
        if problems:
            raise SpecError(problems.told())
    return sheet_of(
        values,
        sha256=hashlib.sha256(content).hexdigest(),
        warnings=tuple(reading.warnings),
    )


def sheet_of(values: Mapping[str, Any], sha256: str, warnings: tuple[str, ...]) -> SessionSheet:
    """Give the record of a whole sheet."""
    return SessionSheet(
        **_stated(SessionSheet, values, ("songs", "tracks", "waivers")),
        sha256=sha256,
        warnings=warnings,
        songs=tuple(_song(song) for song in values.get("songs", ())),
        tracks=tuple(_track(track) for track in values.get("tracks", ())),
        waivers=tuple(Waiver(**waiver) for waiver in values.get("waivers", ())),
    )


def _read_tempo_files(
    values: dict[str, Any], tempo_files: TempoFiles, reading: Reading, problems: Problems
) -> None:
    """Put the content of each song's tempo file beside its path; what fails is told there."""
    for index, song in enumerate(values.get("songs", ())):
        path: Path_ = ("songs", index, "tempo_file")
        if "tempo_file" not in song:
            continue
        try:
            song["tempo_read"] = tempo_files(song["tempo_file"])
        except ValueError as error:
            told = f"{shown(song['tempo_file'])} {error}"
            problems.tell(reading.places[path].mark, dotted(path), told)


def _song(values: Mapping[str, Any]) -> SongNote:
    bar_1 = values.get("bar_1")
    return SongNote(
        **_stated(SongNote, values, ("tempo_map", "bar_1", "sections")),
        bar_1=None if bar_1 is None else BarOne(**bar_1),
        tempo_map=tuple(
            TempoMark(**_stated(TempoMark, mark)) for mark in values.get("tempo_map", ())
        ),
        sections=tuple(Section(**section) for section in values.get("sections", ())),
    )


def _track(values: Mapping[str, Any]) -> TrackNote:
    order = WorkOrder(**_stated(WorkOrder, values.get("order", {})))
    stated = _stated(TrackNote, values, ("order",))
    return TrackNote(pattern=values["file"], order=order, **stated)


def _stated(
    record: type[Any], values: Mapping[str, Any], without: tuple[str, ...] = ()
) -> dict[str, Any]:
    """Give the fields of a record that the sheet states; the rest keep its defaults."""
    return {
        field: values[key]
        for field, key in keys_of(record).items()
        if key in values and key not in without
    }
