"""YAML text to a tree of nodes that know their place; no value is interpreted here.

The tree is built from the reader's events rather than by ``yaml.compose``: composing recurses
into hostile nesting and shares aliased nodes before anybody could have counted them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TypeAlias

import yaml

from stemprep.errors import SpecError
from stemprep.spec.decoding import LINE_BREAK, decode
from stemprep.spec.problems import Mark, Problems, shown

MAX_DEPTH = 64
MAX_ALIASES = 64
MAX_NODES = 100_000
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_BRACED_VALUE = re.compile(r"(:|-)\s+\{")
_SECOND_COLON = re.compile(r":\s+[^\s'\"#{\[].*:(\s|$)")
_CUT_COMMENT = re.compile(r"\s+(#\S.*)")


@dataclass(frozen=True, slots=True)
class Scalar:
    """One value as written; ``cut`` holds what a `` #`` without a space after it cut off."""

    text: str
    is_plain: bool
    mark: Mark
    cut: str = ""
    size: int = 1


@dataclass(slots=True)
class Sequence:
    """A list."""

    mark: Mark
    items: list[Node] = field(default_factory=list)
    size: int = 1


@dataclass(slots=True)
class Mapping:
    """Keys and values in order of appearance, doubled keys included."""

    mark: Mark
    pairs: list[tuple[Node, Node]] = field(default_factory=list)
    size: int = 1


Node: TypeAlias = Scalar | Sequence | Mapping


def read_tree(content: bytes, file: str, expected: str) -> Mapping:
    """Give the one mapping of a file; ``expected`` says what such a file begins with, for messages.

    Raises SpecError for another encoding, bad YAML, two documents, explicit tags, an empty file,
    a file that is not a mapping, nesting over 64, over 64 aliases or 100,000 nodes.
    """
    text = decode(content, file)
    builder = _Builder(file, LINE_BREAK.split(text))
    try:
        root = builder.build(yaml.parse(text, Loader=_LOADER))
    except yaml.MarkedYAMLError as error:
        raise SpecError(_syntax_problems(error, file, builder.lines)) from error
    except (yaml.YAMLError, ValueError) as error:
        raise SpecError((f"{file}:1:1: not readable as YAML: {error}",)) from error
    if builder.problems:
        raise SpecError(builder.problems.messages())
    if isinstance(root, Mapping):
        return root
    raise SpecError((_not_a_mapping(root, file, expected),))


class _Builder:
    """Builds the tree without recursion, counting as it goes."""

    def __init__(self, file: str, lines: list[str]) -> None:
        self.file = file
        self.lines = lines
        self.problems = Problems()
        self.root: Node | None = None
        self._open: list[tuple[Node, str | None, list[Node]]] = []
        self._anchors: dict[str, Node] = {}
        self._aliases = 0
        self._nodes = 0
        self._documents = 0

    def build(self, events: Iterator[yaml.Event]) -> Node | None:
        """Consume the events; stops at the first thing that makes reading on pointless."""
        for event in events:
            if not self._take(event):
                break
        return self.root

    def _take(self, event: yaml.Event) -> bool:
        """One event; False ends the reading."""
        mark = self._mark(event)
        if isinstance(event, yaml.DocumentStartEvent):
            return self._start_document(mark)
        if isinstance(event, yaml.CollectionEndEvent):
            self._close()
        elif isinstance(event, yaml.AliasEvent):
            return self._alias(event.anchor, mark)
        elif isinstance(event, yaml.ScalarEvent):
            self._refuse_tag(event, mark)
            self._place(self._scalar(event, mark), event.anchor)
        elif isinstance(event, yaml.CollectionStartEvent):
            self._refuse_tag(event, mark)
            is_list = isinstance(event, yaml.SequenceStartEvent)
            self._open.append((Sequence(mark) if is_list else Mapping(mark), event.anchor, []))
        return self._within_limits(mark)

    def _start_document(self, mark: Mark) -> bool:
        self._documents += 1
        if self._documents > 1:
            self.problems.add(mark, "", 'a second document begins ("---"); one file holds one')
        return self._documents == 1

    def _alias(self, anchor: str | None, mark: Mark) -> bool:
        """Count an alias as everything it stands for."""
        self._aliases += 1
        node = self._anchors.get(anchor or "")
        if node is None:
            self.problems.add(
                mark, "", f"the alias {shown(f'*{anchor}')} names nothing above it; "
                "write the value out (a text that begins with * goes in quotes)"
            )  # fmt: skip
            return False
        self._place(node, None)
        return self._within_limits(mark)

    def _within_limits(self, mark: Mark) -> bool:
        """Return False, told, when a limit against hostile files is passed."""
        for count, limit, what in (
            (len(self._open), MAX_DEPTH, "levels of nesting"),
            (self._aliases, MAX_ALIASES, "aliases"),
            (self._nodes, MAX_NODES, "values (aliases counted in full)"),
        ):
            if count > limit:
                self.problems.add(mark, "", f"more than {limit} {what}; write it plainer")
                return False
        return True

    def _place(self, node: Node, anchor: str | None) -> None:
        """Put a finished node where it belongs."""
        self._nodes += node.size
        if anchor:
            self._anchors[anchor] = node
        if self._open:
            self._open[-1][2].append(node)
        else:
            self.root = node

    def _close(self) -> None:
        """End of the innermost list or mapping."""
        node, anchor, children = self._open.pop()
        size = 1 + sum(child.size for child in children)
        if isinstance(node, Mapping):
            node.pairs = list(zip(children[::2], children[1::2], strict=True))
        elif isinstance(node, Sequence):
            node.items = children
        self._nodes -= size - 1
        if not isinstance(node, Scalar):
            node.size = size
        self._place(node, anchor)

    def _scalar(self, event: yaml.ScalarEvent, mark: Mark) -> Scalar:
        is_plain = event.implicit[0] and not event.style
        return Scalar(event.value, is_plain, mark, self._cut_off(event) if is_plain else "")

    def _cut_off(self, event: yaml.ScalarEvent) -> str:
        """Give the comment right behind a plain value that looks like part of it (``Song #1``)."""
        end = event.end_mark
        if end is None or end.line >= len(self.lines):
            return ""
        rest = self.lines[end.line][end.column :]
        found = _CUT_COMMENT.match(rest)
        return found[1] if found else ""

    def _refuse_tag(self, event: yaml.NodeEvent, mark: Mark) -> None:
        tag = getattr(event, "tag", None)
        if tag is not None:
            self.problems.add(
                mark, "", f"the tag {shown(tag)} is not read; leave it out "
                "(a text that begins with ! goes in quotes)"
            )  # fmt: skip

    def _mark(self, event: yaml.Event) -> Mark:
        start = event.start_mark
        return Mark(self.file, start.line + 1, start.column + 1) if start else Mark(self.file, 1, 1)


def _not_a_mapping(root: Node | None, file: str, expected: str) -> str:
    """Tell of an empty file, a list or a single value where keys are wanted."""
    if root is None or (isinstance(root, Scalar) and not root.text):
        return f"{file}:1:1: the file is empty; it begins with {expected}"
    if isinstance(root, Sequence):
        return f"{root.mark}: a list stands where keys are wanted; leave out the dashes: {expected}"
    text = root.text if isinstance(root, Scalar) else ""
    return (
        f"{root.mark}: {shown(text)} is no key with a value; put a colon behind the key: {expected}"
    )


def _syntax_problems(error: yaml.MarkedYAMLError, file: str, lines: list[str]) -> tuple[str, ...]:
    """Tell all tabs, or the one slip at which the reader stopped."""
    tabs = tuple(
        f"{file}:{number}:{line.index(chr(9)) + 1}: a tab stands in the indentation; use spaces"
        for number, line in enumerate(lines, start=1)
        if "\t" in _indentation(line)
    )
    place = error.problem_mark or error.context_mark
    row, column = (place.line, place.column) if place else (0, 0)
    if tabs and _is_tab_to_blame(lines, row):
        return tabs
    return (f"{file}:{row + 1}:{column + 1}: {_slip(error, lines, row, column)}",)


def _is_tab_to_blame(lines: list[str], row: int) -> bool:
    """Return True when the line where reading stopped, or the one before, is indented by a tab."""
    return any("\t" in _indentation(line) for line in lines[max(0, row - 1) : row + 1])


def _indentation(line: str) -> str:
    return line[: len(line) - len(line.lstrip(" \t"))]


def _slip(error: yaml.MarkedYAMLError, lines: list[str], row: int, column: int) -> str:
    """Say what most probably happened, and what to write instead."""
    if "nesting depth" in (error.problem or ""):  # libyaml looks ahead of the events
        return f"more than {MAX_DEPTH} levels of nesting; write it plainer"
    line = lines[row] if row < len(lines) else ""
    if _BRACED_VALUE.search(line):
        return 'a brace { begins a YAML mapping; put a text with braces in quotes: "{name}_{bits}"'
    if _SECOND_COLON.search(line) and column < len(line):
        return 'a second colon stands here; put a text with a colon in quotes: "Part: two"'
    if column < len(line) and line[column] == "\t":
        return "a tab stands where a space is wanted; use spaces"
    if column < len(line) and line[column] in "`@%":
        return f"a text cannot begin with {line[column]}; put it in quotes"
    return f"not readable as YAML: {error.problem}; check quotes, brackets and indentation"
