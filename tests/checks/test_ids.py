"""Who has to know of a check names it by its ``ID``; one written out is missed when it changes."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import stemprep
from stemprep.checks import CHECKS

ROOT = Path(stemprep.__file__).parent
EXEMPT = ("checks", "demo", "prepare")
"""Planners may say which finding an operation cures; the demo says what it plants."""
STILL = "measure.py"
"""The one job that still writes out which check tells a damage that it met."""
MODULES = [
    path
    for path in sorted(ROOT.rglob("*.py"))
    if path.relative_to(ROOT).parts[0] not in EXEMPT and path.name != STILL
]


def texts(tree: ast.AST) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value


MODEL_WORDS = {
    text for path in (ROOT / "model").glob("*.py") for _, text in texts(ast.parse(path.read_text()))
}
"""Roles, kinds of changes and other words of the records, some of which are ids too."""
OTHER_WORDS = {"header", "unreadable"}
"""A kind of change between packages; what an inventory says of a file that may not be opened."""


def written_out(tree: ast.AST) -> Iterator[tuple[int, str]]:
    plain = CHECKS.keys() - MODEL_WORDS - OTHER_WORDS
    yield from ((line, text) for line, text in texts(tree) if text in plain)
    for node in ast.walk(tree):
        if isinstance(node, ast.keyword) and node.arg == "check":
            yield from texts(node.value)
        if isinstance(node, ast.Compare) and "attr='check'" in ast.dump(node.left):
            yield from (each for side in node.comparators for each in texts(side))


def test_ids_are_found_where_they_are_written_out() -> None:
    tree = ast.parse("f(check='header')\nfinding.check == 'click'\nx = 'dual-mono'\ny = 'click'")
    assert sorted(written_out(tree)) == [(1, "header"), (2, "click"), (3, "dual-mono")]


def test_no_id_is_written_out() -> None:
    found = {str(path): list(written_out(ast.parse(path.read_text()))) for path in MODULES}
    assert {path: places for path, places in found.items() if places} == {}
