"""The words of the glossary in DEVELOPERS.md: what no identifier is called any more."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "stemprep"
BANNED = ("told", "tell", "tells", "telling", "foretell", "foretold", "beneath")
"""They name neither a thing nor what is done with it; the glossary has a term for each use."""
OPEN_ROOMS = {"checks", "containers", "report", "null_test", "work"}
"""Rooms whose identifiers are not cleaned yet; whoever cleans one takes it off this list."""
ALLOWED = {
    "told_as_delivery_error",  # both are called from rooms that are still open
    "told_apart",
    "tell",  # the io protocol's: where a stream stands
    "is_songs_told",  # as the key of a spec is called, which people have written into files
}
MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0]


def defined_names(tree: ast.AST) -> Iterator[str]:
    """Every name that a module gives: of functions, classes, parameters, variables, fields."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.arg):
            yield node.arg
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            yield node.attr


def banned_in(name: str) -> set[str]:
    return set(re.split(r"[_\d]+", re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower())) & {*BANNED}


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_identifier_holds_a_banned_word(path: Path) -> None:
    if room_of(path) in OPEN_ROOMS:
        pytest.skip("not cleaned yet")
    names = {path.stem, *defined_names(ast.parse(path.read_text(encoding="utf-8")))}
    assert not {name for name in names - ALLOWED if banned_in(name)}


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("told_by", {"told"}),
        ("_MOST_TOLD", {"told"}),
        ("ToldInboxes", {"told"}),
        ("is_foretold", {"foretold"}),
        ("intellect", set()),
        ("understanding", set()),
    ],
)
def test_what_counts_as_a_word(name: str, words: set[str]) -> None:
    assert banned_in(name) == words


@pytest.mark.parametrize("room", sorted(OPEN_ROOMS))
def test_an_open_room_is_taken_off_the_list_once_it_is_clean(room: str) -> None:
    paths = [path for path in MODULES if room_of(path) == room]
    found = {
        name
        for path in paths
        for name in (path.stem, *defined_names(ast.parse(path.read_text(encoding="utf-8"))))
        if banned_in(name) and name not in ALLOWED
    }
    assert found or not paths, f"{room} is clean: take it off OPEN_ROOMS"
