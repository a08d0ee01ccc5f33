"""Constants of the mathematics say why they are as they are, or where they come from."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import stemprep

ROOT = Path(stemprep.__file__).parent
ROOMS = ("checks", "dsp", "lineage", "measure", "timing")


def unexplained(source: str) -> Iterator[str]:
    """Numeric constants of a module without a comment above or beside, or words below."""
    lines, body = source.splitlines(), ast.parse(source).body
    for statement, after in zip(body, [*body[1:], None], strict=True):
        if not isinstance(statement, ast.Assign | ast.AnnAssign) or statement.value is None:
            continue
        targets = statement.targets if isinstance(statement, ast.Assign) else [statement.target]
        name = ast.unparse(targets[0])
        numbers = (each for each in ast.walk(statement.value) if isinstance(each, ast.Constant))
        if name != name.upper() or not any(type(n.value) in (int, float) for n in numbers):
            continue
        is_above = lines[statement.lineno - 2].lstrip().startswith("#")
        own = lines[statement.lineno - 1 : statement.end_lineno]
        is_beside = any("  # " in line and "# fmt" not in line for line in own)
        is_below = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
        if not (is_above or is_beside or is_below):
            yield f"{name}, line {statement.lineno}"


def test_a_bare_constant_is_found() -> None:
    source = "A = 1\n# why\nB = 2\nC = 3  # why\nD, E = 4.0, 5\nF = (6,)\n'why'\nG = 'x'\n"
    assert list(unexplained(source)) == ["A, line 1", "(D, E), line 5"]


@pytest.mark.parametrize("room", ROOMS)
def test_every_constant_has_its_reason(room: str) -> None:
    found = {
        str(path.relative_to(ROOT)): list(unexplained(path.read_text("utf-8")))
        for path in sorted((ROOT / room).rglob("*.py"))
    }
    assert {path: names for path, names in found.items() if names} == {}
