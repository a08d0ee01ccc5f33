"""Names of files that systems leave in folders by themselves; common practice, no source."""

from __future__ import annotations

SYSTEM_FOLDERS = frozenset(
    {
        "__macosx",
        ".trashes",
        ".trash",
        ".spotlight-v100",
        ".fseventsd",
        ".temporaryitems",
        ".documentrevisions-v100",
        ".appledouble",
        "$recycle.bin",
        "system volume information",
        "@eadir",
        "lost+found",
    }
)
SYSTEM_FILES = frozenset(
    {
        ".ds_store",
        "thumbs.db",
        "ehthumbs.db",
        "desktop.ini",
        "icon\r",
        ".localized",
        ".directory",
        ".apdisk",
        ".volumeicon.icns",
    }
)


def is_system_folder(name: str) -> bool:
    """Tell whether the whole content of a folder of this name is the system's own."""
    return name.lower() in SYSTEM_FOLDERS


def is_system_file(name: str) -> bool:
    """Tell a system's settings or picture cache of a folder by its name."""
    return name.lower() in SYSTEM_FILES


def is_companion_file(name: str) -> bool:
    """Tell a file that a system puts beside another one to hold what the disk cannot hold."""
    return name.startswith("._")


def is_system_path(path: str) -> bool:
    """Tell whether a system made a file, by its name or by a folder that it lies in."""
    *folders, name = path.split("/")
    return is_system_file(name) or is_companion_file(name) or any(map(is_system_folder, folders))
