"""Which song a file belongs to: by the sheet, else by its folder."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stemprep.intake.names import folded, folders_of
from stemprep.intake.patterns import Pattern
from stemprep.intake.roles import folder_role
from stemprep.intake.vocabulary import CONTENT_FOLDERS, SOURCES
from stemprep.intake.words import without_numbers, words_of
from stemprep.model.sheet import SongNote


def songs_by_sheet(paths: Iterable[str], songs: Sequence[SongNote], start: str) -> dict[str, str]:
    """Return the title of each path's song.

    A single song takes everything. Of several, the first whose ``files`` name the path, else the
    first whose folder it lies in; a song with neither has the folder of its own title. What no
    song claims has the title "". start: folder that the sheet lies in, "" for the drop's top.
    """
    if len(songs) == 1:
        return dict.fromkeys(paths, songs[0].title)
    return {path: _claimed(path, songs, start) for path in paths}


def songs_by_folder(paths: Sequence[str]) -> dict[str, str]:
    """Return a song for each path: a folder each, or "" where the folders only sort one song.

    Looked at is the outermost level where not all audio lies in one folder. It holds songs if no
    audio lies beside the folders and at least two of them are not named for a kind of content
    (stems, takes, drums); audio in the others belongs to no song.
    """
    level = _branching_level(paths)
    tops = [folders_of(path)[level : level + 1] for path in paths]
    titles = {top[0] for top in tops if top and not is_content_folder(top[0])}
    if len(titles) < 2 or () in tops:
        return dict.fromkeys(paths, "")
    return {path: top[0] if top[0] in titles else "" for path, top in zip(paths, tops, strict=True)}


def is_content_folder(name: str) -> bool:
    """Tell whether a folder's name says what kind of content it holds, not which song."""
    words = without_numbers(words_of(name))
    return (
        folder_role(name) is not None or not words or frozenset(words) <= CONTENT_FOLDERS | SOURCES
    )


def folder_of_song(song: SongNote) -> str | None:
    """Return the folder that a sheet's song claims; None where it lists files only."""
    if song.folder is None and song.files:
        return None
    return (song.folder or song.title).strip("/")


def lies_in(path: str, folder: str, start: str) -> bool:
    """Tell whether a path lies in a folder, read from the drop's top or from start."""
    places = [folder, f"{start}/{folder}"] if start else [folder]
    return any(folded(path).startswith(folded(place) + "/") for place in places)


def _claimed(path: str, songs: Sequence[SongNote], start: str) -> str:
    for song in songs:
        if any(Pattern(text).matches(path, start) for text in song.files):
            return song.title
    for song in songs:
        folder = folder_of_song(song)
        if folder and lies_in(path, folder, start):
            return song.title
    return ""


def _branching_level(paths: Sequence[str]) -> int:
    level = 0
    while paths and len({folders_of(path)[: level + 1] for path in paths}) == 1:
        if len(folders_of(paths[0])) <= level:
            break
        level += 1
    return level
