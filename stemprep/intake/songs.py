"""Which song a file belongs to: by the sheet, else by its folder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import dropwhile

from stemprep.intake.folder_names import folder_title
from stemprep.intake.names import folders_of, stem
from stemprep.intake.roles import roles_by_name
from stemprep.intake.vocabulary import CONTENT_FOLDERS, SOURCES
from stemprep.intake.words import Words, without_numbers, words_of
from stemprep.model.sheet import SongNote
from stemprep.model.words import Role
from stemprep.naming.distinct import folded
from stemprep.naming.patterns import PathIndex

_FOR_ALL_SONGS: frozenset[Role] = frozenset({"listening-reference", "talkback"})


def songs_by_sheet(
    paths: Sequence[str], songs: Sequence[SongNote], index: PathIndex, start: str
) -> dict[str, str]:
    """Return the title of each path's song.

    A single song takes everything. Of several, the first whose ``files`` name the path, else the
    first whose folder it lies in; a song with neither has the folder of its own title. What no
    song claims has the title "". index: of the same paths.
    start: folder that the sheet lies in, "" for the drop's top.
    """
    if len(songs) == 1:
        return dict.fromkeys(paths, songs[0].title)
    claimed: dict[str, str] = {}
    for song in songs:
        for text in song.files:
            for path in index.named_by(text):
                claimed.setdefault(path, song.title)
    return {path: claimed.get(path) or _by_folder(path, songs, start) for path in paths}


def songs_by_folder(paths: Sequence[str]) -> dict[str, str]:
    """Return a song for each path: a folder each, or "" where the folders only sort one song.

    Looked at is the outermost level where not all audio lies in one folder. It holds songs if the
    folders' names hold at least two titles, words for a kind of content (stems, takes, drums)
    aside; folders of one title (``Dawn Stems``, ``Dawn Mixes``) are one song. Audio in folders
    without a title belongs to no song. A file beside the folders belongs to the song whose title
    its name begins with (``Dawn_MIX`` beside ``Dawn Stems``); what has none may only be what
    concerns all songs, a listening copy or talkback: else the folders sort one song.
    """
    level = _branching_level(paths)
    tops = {path: folders_of(path)[level : level + 1] for path in paths}
    titles = _titles(dict.fromkeys(top[0] for top in tops.values() if top))
    if len(set(titles.values()) - {""}) < 2:
        return dict.fromkeys(paths, "")
    songs = {path: titles[top[0]] for path, top in tops.items() if top}
    songs |= _songs_beside([path for path, top in tops.items() if not top], titles)
    if any(not songs[path] and not top and not _is_for_all(path) for path, top in tops.items()):
        return dict.fromkeys(paths, "")
    return {path: songs[path] for path in paths}


def _songs_beside(loose: Iterable[str], titles: Mapping[str, str]) -> dict[str, str]:
    """Give each file beside the folders the song whose title begins its name, else ""."""
    by_words = {_unnumbered(_title_words(folder)): title for folder, title in titles.items()}
    longest_first = sorted((words for words in by_words if words), key=len, reverse=True)
    songs: dict[str, str] = {}
    for path in loose:
        name = _unnumbered(words_of(stem(path)))
        songs[path] = next(
            (by_words[words] for words in longest_first if name[: len(words)] == words), ""
        )
    return songs


def _unnumbered(words: Words) -> Words:
    """Leave out the track number in front, unless there is nothing but numbers."""
    return tuple(dropwhile(str.isdecimal, words)) or words


def _is_for_all(path: str) -> bool:
    return roles_by_name([path])[path][0] in _FOR_ALL_SONGS


def _titles(folders: Iterable[str]) -> dict[str, str]:
    """Give a song's title for each folder, as written in the first folder of the song."""
    by_words: dict[Words, list[str]] = {}
    for folder in folders:
        by_words.setdefault(_title_words(folder), []).append(folder)
    titles: dict[str, str] = {}
    for words, names in by_words.items():
        titles.update(dict.fromkeys(names, _title_text(names[0], words) if words else ""))
    return titles


def _title_text(name: str, words: Words) -> str:
    """Return the start of a folder's name that holds the title's words; else the whole name."""
    starts = (name[:end] for end in range(1, len(name) + 1))
    return next((text for text in starts if words_of(text) == words), name).strip(" _-.")


def _title_words(folder: str) -> Words:
    words = folder_title(folder)
    return () if frozenset(without_numbers(words)) <= CONTENT_FOLDERS | SOURCES else words


def folder_of_song(song: SongNote) -> str | None:
    """Return the folder that a sheet's song claims; None where it lists files only."""
    if song.folder is None and song.files:
        return None
    return (song.folder or song.title).strip("/")


def lies_in(path: str, folder: str, start: str) -> bool:
    """Tell whether a path lies in a folder, read from the drop's top or from start."""
    places = [folder, f"{start}/{folder}"] if start else [folder]
    return any(folded(path).startswith(folded(place) + "/") for place in places)


def _by_folder(path: str, songs: Sequence[SongNote], start: str) -> str:
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
