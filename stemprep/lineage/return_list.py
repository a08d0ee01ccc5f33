"""The filled-in sheet that comes back with takes: what each file is, and which of them is kept."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from stemprep.model.csv_table import plain_cell
from stemprep.model.reconciliation import ReturnLine
from stemprep.model.sheet import Use
from stemprep.naming import file_name, folded, split_extension

LIST_NAME = "returned-files.csv"
# A sheet of thousands of lines is far smaller: more is no such sheet.
MAX_LIST_BYTES = 1 << 20
# As many as a session sheet may list tracks.
MAX_LINES = 5_000
# Characters that are kept of what a person wrote into a cell.
_LONGEST_CELL = 200
_USES: dict[str, Use] = {
    "kept": "main",
    "keep": "main",
    "alternate": "alternate",
    "alt": "alternate",
}
_WORDS = re.compile(r"[^\W_]+")


def parse_return_list(content: bytes) -> tuple[ReturnLine, ...]:
    """Read the sheet as any spreadsheet saves it: comma, semicolon or tab, UTF-8 or one byte.

    Lines without a file name are left out. ValueError, in words, where it is no such sheet.
    """
    rows = list(csv.reader(io.StringIO(_text(content), newline=""), delimiter=_delimiter(content)))
    heading = next(iter(rows), [])
    columns = [folded(cell.strip()) for cell in heading]
    if "file" not in columns:
        raise ValueError("it has no column 'file'")
    if len(rows) > MAX_LINES:
        raise ValueError(f"it has over {MAX_LINES:,} lines")
    lines = (_line(dict(zip(columns, row, strict=False))) for row in rows[1:])
    return tuple(line for line in lines if line.file)


def _text(content: bytes) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", "replace")


def _delimiter(content: bytes) -> str:
    heading = content.partition(b"\n")[0]
    return max((",", ";", "\t"), key=lambda mark: heading.count(mark.encode()))


def _line(cells: dict[str, str]) -> ReturnLine:
    said = {
        name: " ".join(plain_cell(cell.strip()).split())[:_LONGEST_CELL]
        for name, cell in cells.items()
    }
    return ReturnLine(
        file=said.get("file", ""),
        part=said.get("part", ""),
        player=said.get("player", ""),
        take=said.get("take", ""),
        use=_USES.get(folded(said.get("kept_or_alternate", ""))),
        microphone=said.get("microphone", ""),
        printed_with=said.get("printed_with", ""),
        notes=said.get("notes", ""),
    )


def lines_by_path(
    lines: Sequence[ReturnLine], paths: Iterable[str]
) -> tuple[dict[str, ReturnLine], tuple[str, ...]]:
    """Returned path -> its line; and the files that are listed and not there.

    A line may give a path or a name, with its extension or without, in any case.
    """
    by_key: dict[str, list[str]] = {}
    for path in paths:
        for key in dict.fromkeys((folded(path), folded(file_name(path)), _stem(path))):
            by_key.setdefault(key, []).append(path)
    found: dict[str, ReturnLine] = {}
    missing: list[str] = []
    for line in lines:
        wanted = folded(line.file.replace("\\", "/").removeprefix("./"))
        named = by_key.get(wanted) or by_key.get(wanted.rpartition("/")[2]) or []
        if not named:
            missing.append(line.file)
        for path in named:
            found.setdefault(path, line)
    return found, tuple(dict.fromkeys(missing))


def _stem(path: str) -> str:
    return folded(split_extension(file_name(path))[0])


def use_by_name(path: str) -> Use | None:
    """What a name says of itself: ``Gtr solo KEPT``, ``Gtr solo_ALT2``; None where nothing."""
    words = [folded(word).rstrip("0123456789") for word in _WORDS.findall(_stem(path))]
    return next((_USES[word] for word in words if word in ("kept", "alt", "alternate")), None)
