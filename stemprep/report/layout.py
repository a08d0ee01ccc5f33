"""Plain text in a fixed number of terminal columns; never a line wider, whatever a name holds."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from stemprep.report.escaping import visible

MIN_WIDTH = 40
_BOLD, _PLAIN = "\x1b[1m", "\x1b[0m"


def columns(text: str) -> int:
    """Terminal columns of a visible text: wide East Asian characters two, combining marks none."""
    return len(text) if text.isascii() else sum(map(_char_columns, text))


def _char_columns(char: str) -> int:
    if char.isascii():
        return 1
    if unicodedata.combining(char) or unicodedata.category(char) in ("Mn", "Me"):
        return 0
    return 2 if unicodedata.east_asian_width(char) in ("W", "F") else 1


def wrap(text: str, width: int, first: str = "", rest: str | None = None) -> list[str]:
    """Lines of at most ``width`` columns; words longer than a line are broken.

    first: begins the first line (a label or a bullet); rest: begins the others, by default
    as many spaces as ``first`` is wide. Hidden characters are escaped.
    """
    hang = " " * columns(first) if rest is None else rest
    lines, line, is_empty = [], first, True
    for word in _pieces(visible(text).split(), width - max(columns(first), columns(hang))):
        gap = "" if is_empty else " "
        if columns(line) + len(gap) + columns(word) > width:
            lines.append(line.rstrip())
            line, gap = hang, ""
        line, is_empty = line + gap + word, False
    return [*lines, line.rstrip()]


def _pieces(words: Sequence[str], room: int) -> Iterator[str]:
    """Give the words, those wider than the room cut into pieces that fit."""
    for word in words:
        begun, taken = 0, 0
        for position, char in enumerate(word if columns(word) > room else ""):
            wide = _char_columns(char)
            if taken + wide > room:
                yield word[begun:position]
                begun, taken = position, 0
            taken += wide
        yield word[begun:]


def cut(text: str, width: int) -> str:
    """Keep the visible text to one line; what does not fit ends in ``...``."""
    shown = " ".join(visible(text).split())
    if _beginning(shown, width) == shown:
        return shown
    return _beginning(shown, width - 3).rstrip() + "..."


def _beginning(text: str, width: int) -> str:
    """Take as many characters from the start as fit into ``width`` columns."""
    taken = 0
    for position, char in enumerate(text):
        taken += _char_columns(char)
        if taken > width:
            return text[:position]
    return text


def pad(text: str, width: int) -> str:
    """Cut the text or fill it with spaces to exactly ``width`` columns."""
    shown = cut(text, width)
    return shown + " " * (width - columns(shown))


@dataclass(slots=True, kw_only=True)
class Page:
    """Lines of text as they are written, from top to bottom."""

    width: int = 80
    is_color: bool = False
    lines: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.width = max(self.width, MIN_WIDTH)

    def head(self, text: str) -> None:
        """Add a section's heading with an empty line before it."""
        self.blank()
        for line in wrap(text, self.width):
            self.lines.append(f"{_BOLD}{line}{_PLAIN}" if self.is_color else line)

    def blank(self) -> None:
        """One empty line, never two in a row, none at the top."""
        if self.lines and self.lines[-1]:
            self.lines.append("")

    def put(self, text: str, first: str = "", rest: str | None = None) -> None:
        """Add a paragraph; see ``wrap``."""
        self.lines += wrap(text, self.width, first, rest)

    def put_row(self, text: str) -> None:
        """One line of a table; what does not fit is cut."""
        self.lines.append(_beginning(text.rstrip(), self.width).rstrip())

    def command(self, text: str) -> None:
        """Add a command to be copied: one line of its own, never broken, whatever its length."""
        self.lines.append(f"    {visible(text)}")

    def fact(self, label: str, text: str, indent: int = 0, label_width: int = 10) -> None:
        """Add a labelled line; the label stands in a column of its own."""
        self.put(text, " " * indent + label.ljust(label_width))

    def strong_fact(self, label: str, text: str) -> None:
        """Add a labelled line that stands out where the terminal can show it."""
        begin = len(self.lines)
        self.fact(label, text)
        if self.is_color:
            self.lines[begin:] = [f"{_BOLD}{line}{_PLAIN}" for line in self.lines[begin:]]

    def text(self) -> str:
        """All lines, with a line end after the last one."""
        return "\n".join(self.lines).rstrip("\n") + "\n"
