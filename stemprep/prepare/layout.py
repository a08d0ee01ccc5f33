"""Where each file of the package goes and what it is called."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.header import AudioFormat
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredFile, Session
from stemprep.model.sheet import SessionSheet, SongNote
from stemprep.model.words import Role
from stemprep.naming import (
    PUBLISHED_NAME,
    collision_key,
    distinct_paths,
    file_name,
    fill_template,
    listable_path,
    missing_fields,
    portable_path,
    published_fields,
    split_extension,
)
from stemprep.prepare.order_numbers import NUMBERED_ROLES, Numbered, track_name, with_numbers

FOLDERS: dict[Role, str] = {
    "mix": "mixes",
    "alternate-mix": "mixes",
    "rough-mix": "rough-mixes",
    "listening-reference": "references",
    "stem": "stems",
    "track": "tracks",
    "di": "tracks",
    "effect-return": "effect-returns",
    "guide": "guides",
    "talkback": "talkback",
    "click": "click",
    "document": "documents",
    "unknown": "other",
}
DOCUMENTS = "documents"
OWN_FILES = (
    "manifest.json",
    "manifest.csv",
    "delivery-note.txt",
    "report/qc-report.txt",
    "report/qc-report.json",
    "report/qc-report.html",
)
"""What stemprep itself writes into the payload; a dropped file of such a name gives way."""
MAX_PAYLOAD_CHARACTERS = 200  # of the 255 a path may have; the rest is the package's own folder


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What the layout needs to know of one output.

    name: source's own file name, changed where channels were joined or split, with the extension
          of its container.
    """

    file: MeasuredFile
    name: str
    form: AudioFormat | None


def lay_out(
    places: Sequence[Place], documents: Sequence[str], session: Session, spec: DeliverySpec
) -> tuple[list[str], list[str], list[str]]:
    """Paths of the outputs and of the documents, in the given orders, and notes.

    No two are equal on any disk; by role, no two sounds share a name but for their extension.
    """
    notes: list[str] = []
    if spec.contents.layout == "as-dropped":
        wanted = [_as_dropped(place) for place in places]
    else:
        named = [_named(place, session, spec, notes) for place in places]
        if spec.naming.is_numbered:
            named = _track_names(places, named)
        wanted = _by_role(places, named, session, spec)
        documents = [f"{DOCUMENTS}/{path}" for path in documents]
    if spec.naming.is_numbered:
        wanted = _numbered(places, wanted, session)
    if not spec.naming.is_portable and spec.contents.layout == "as-dropped":
        listable = distinct_paths([listable_path(path) for path in (*wanted, *documents)])
        together = _clear_of_own(listable)
        return together[: len(wanted)], together[len(wanted) :], notes
    is_by_role = spec.contents.layout == "roles"
    portable = [portable_path(path, max_characters=MAX_PAYLOAD_CHARACTERS) for path in wanted]
    outputs = _distinct(places, portable, is_extension_ignored=is_by_role)
    carried = [portable_path(path, max_characters=MAX_PAYLOAD_CHARACTERS) for path in documents]
    together = _clear_of_own(distinct_paths([*outputs, *carried]))
    return together[: len(outputs)], together[len(outputs) :], notes


def _clear_of_own(paths: Sequence[str]) -> list[str]:
    """Rename what has the name of a file of ours, or of the folder of one; nothing else."""
    own = {collision_key(path) for path in (*OWN_FILES, "report")}
    parted = distinct_paths([*OWN_FILES, *paths])[len(OWN_FILES) :]
    return [
        given if collision_key(path) in own else path
        for path, given in zip(paths, parted, strict=True)
    ]


def _distinct(
    places: Sequence[Place], paths: Sequence[str], *, is_extension_ignored: bool
) -> list[str]:
    """Part equal paths; a file that has its own name already keeps it before one that gets it."""
    order = sorted(range(len(paths)), key=lambda i: file_name(paths[i]) != places[i].name)
    given = distinct_paths([paths[i] for i in order], is_extension_ignored=is_extension_ignored)
    by_index = dict(zip(order, given, strict=True))
    return [by_index[i] for i in range(len(paths))]


def _as_dropped(place: Place) -> str:
    folder, slash, _ = place.file.path.rpartition("/")
    return f"{folder}{slash}{place.name}"


def _by_role(
    places: Sequence[Place], names: Sequence[str], session: Session, spec: DeliverySpec
) -> list[str]:
    """Folder by song, where there are several, and role; twins get their old folder's name."""
    has_songs = len({place.file.source.song for place in places}) > 1
    running = _running_numbers(session) if spec.contents.is_songs_numbered else {}
    folders = []
    for place in places:
        title = place.file.source.song
        song = _open_song_name(session, title).replace("/", "_") or "other"
        song = f"{running.get(title, '')} {song}".strip()
        folders.append(
            f"{song}/{FOLDERS[place.file.role]}" if has_songs else FOLDERS[place.file.role]
        )
    paths = [f"{folder}/{name}" for folder, name in zip(folders, names, strict=True)]
    counts = Counter(collision_key(path, is_extension_ignored=True) for path in paths)
    return [
        f"{folder}/{_with_old_folder(place, name)}"
        if counts[collision_key(path, is_extension_ignored=True)] > 1
        else path
        for place, folder, name, path in zip(places, folders, names, paths, strict=True)
    ]


def _running_numbers(session: Session) -> dict[str, str]:
    """Title -> its place on the record, as the sheet lists the songs; empty where it does not."""
    notes = () if session.sheet is None else session.sheet.songs
    width = max(len(str(len(notes))), 2)
    return {note.title: f"{place:0{width}d}" for place, note in enumerate(notes, start=1)}


def _open_song_name(session: Session, song: str) -> str:
    """Name a song so that a folder's name tells nobody an unreleased title."""
    note = session.note_of(song)
    is_unreleased = session.sheet is not None and session.sheet.is_unreleased
    return note.working_title if is_unreleased and note and note.working_title else song


def _with_old_folder(place: Place, name: str) -> str:
    folders = place.file.path.split("/")[:-1]
    return f"{folders[-1]}_{name}" if folders else name


def _numbered(places: Sequence[Place], paths: Sequence[str], session: Session) -> list[str]:
    entries = () if session.sheet is None else session.sheet.tracks
    order = {note: index for index, note in reversed(list(enumerate(entries)))}
    return with_numbers(
        [
            Numbered(
                path=path,
                song=place.file.source.song,
                role=place.file.role,
                entry=None if (note := place.file.source.note) is None else order.get(note),
            )
            for place, path in zip(places, paths, strict=True)
        ]
    )


def _track_names(places: Sequence[Place], names: Sequence[str]) -> list[str]:
    """The sheet's name for a track where it means one file alone, else the given one."""
    counts = Counter(place.file.source.note for place in places)
    return [
        track_name(name, note.name.replace("/", "_"))
        if (note := place.file.source.note) is not None
        and note.name
        and counts[note] == 1
        and place.file.role in NUMBERED_ROLES
        else name
        for place, name in zip(places, names, strict=True)
    ]


def _named(place: Place, session: Session, spec: DeliverySpec, notes: list[str]) -> str:
    """Name by the spec's template, or keep the source's own name and tell why."""
    template, stem = spec.naming.template, split_extension(place.name)[0]
    is_due = template is not None and place.file.role in spec.naming.template_roles
    if template is None or not is_due or PUBLISHED_NAME.fullmatch(stem):
        return place.name
    fields = name_fields(place, session)
    filled = fill_template(template, fields)
    if filled is None:
        missing = ", ".join(missing_fields(template, fields))
        notes.append(
            f"{place.file.path} keeps its name: the session sheet does not give {missing}, which "
            "the spec's names need."
        )
        return place.name
    return filled + split_extension(place.name)[1]


def name_fields(place: Place, session: Session) -> dict[str, str]:
    """Gather what may stand in a name; an unreleased title is replaced by its working title."""
    sheet = session.sheet or SessionSheet()
    song = session.note_of(place.file.source.song)
    note = place.file.source.note
    title = _title(sheet, song, place.file.source.song)
    own = split_extension(place.name)[0]
    version = own if note is None or note.name is None else note.name
    form = place.form
    fields = {"name": own, "role": place.file.role, "song": title or ""}
    if form is not None:
        fields |= published_fields(
            artist_initials=sheet.artist_initials,
            song_title=title,
            mixer_initials=sheet.mixer_initials,
            revision=None if song is None else song.revision,
            version=_without_title(version, title),
            sample_rate_hz=form.sample_rate_hz,
            bit_depth=form.bit_depth,
            is_float=form.encoding == "float",
        )
    return fields


def _title(sheet: SessionSheet, song: SongNote | None, title: str) -> str | None:
    working = (song.working_title if song is not None else None) or sheet.working_title
    if sheet.is_unreleased:
        return working
    return title or (song.title if song is not None else None) or sheet.title


def _without_title(version: str, title: str | None) -> str:
    """``Song_DRUMS`` is the stem DRUMS of the song Song."""
    head, _, rest = version.partition("_")
    is_title = title is not None and _plain(head) == _plain(title)
    return rest if rest and is_title else version


def _plain(text: str) -> str:
    return "".join(c for c in text.casefold() if c.isalnum())
