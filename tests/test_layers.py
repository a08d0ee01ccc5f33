"""The rooms of the house: a module imports only from layers below it, or from its own room."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "stemprep"
LAYERS = {
    "model": 1, "units": 1, "errors": 1, "descending": 1, "": 1,
    "dsp": 2, "naming": 2, "timeline": 2,
    "measure": 3, "checks": 3, "demo": 3, "null_test": 3, "timing": 3,
    "spec": 4, "prepare": 4,
    "lineage": 5,
    "intake": 6, "containers": 6, "package": 6, "report": 6, "transfer": 6,
    "work": 7, "engine": 7,
    "app": 8,
    "service": 9,
    "cli": 10, "__main__": 11,
}  # fmt: skip
PURE_LAYERS = 5
IMPURE_MODULES = {"os", "time", "datetime", "logging", "socket", "subprocess", "shutil", "tempfile"}
PURITY_EXCEPTIONS = {"spec", "descending"}  # reads a named spec; opens what the edges are asked for
MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    """First part of the module's path below the package, "" for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return "" if parts[0] == "__init__" else parts[0]


def imported_modules(path: Path) -> Iterator[str]:
    """Every absolute module name that a file imports, at any depth of its code."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield node.module
        elif isinstance(node, ast.ImportFrom):
            pytest.fail(f"{path}: relative import; write the whole name")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_only_from_below(path: Path) -> None:
    room = room_of(path)
    for module in imported_modules(path):
        if not module.startswith("stemprep"):
            continue
        other = [*module.split("."), ""][1]
        assert other == room or LAYERS[other] < LAYERS[room], f"{path.name} imports {module}"


@pytest.mark.parametrize(
    "path",
    [
        path
        for path in MODULES
        if LAYERS[room_of(path)] <= PURE_LAYERS and room_of(path) not in PURITY_EXCEPTIONS
    ],
    ids=lambda path: str(path.relative_to(PACKAGE)),
)
def test_lower_layers_have_no_clock_disk_or_environment(path: Path) -> None:
    found = {module.split(".")[0] for module in imported_modules(path)} & IMPURE_MODULES
    assert not found, f"{path.name} imports {found}"


def test_every_room_has_a_layer() -> None:
    assert {room_of(path) for path in MODULES} <= set(LAYERS)


def modules_imported() -> dict[str, set[str]]:
    """Every module of ours with those that it imports anywhere in its code."""
    names = {}
    for path in MODULES:
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        names[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    graph: dict[str, set[str]] = {}
    for name, path in names.items():
        graph[name] = set()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module in names:
                whole = {f"{node.module}.{each.name}" for each in node.names}
                graph[name] |= (whole & names.keys()) or {node.module}
    return graph


def in_circles(graph: dict[str, set[str]]) -> set[str]:
    """Modules that are left when those that import nothing left are taken away again and again."""
    left = {name: set(others) for name, others in graph.items()}
    while free := {name for name, others in left.items() if not others & left.keys()}:
        left = {name: others for name, others in left.items() if name not in free}
    return set(left)


def test_no_module_imports_itself_in_a_circle() -> None:
    assert not in_circles(modules_imported())


def test_a_circle_is_found() -> None:
    assert in_circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": set()}) == {"a", "b", "c"}
