"""The end of the demo gives commands that can be typed again in the same place."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace

import click.testing
import pytest

from stemprep.cli import demo


@pytest.fixture
def program(tmp_path: Path) -> Path:
    path = tmp_path / "venv" / "stemprep"
    path.parent.mkdir()
    path.write_text("#!/bin/sh\n")
    path.chmod(0o755)
    return path


@pytest.mark.parametrize(
    ("on_path", "argument", "called"),
    [
        ("elsewhere", "venv/stemprep", "venv/stemprep"),
        ("venv", "venv/stemprep", "stemprep"),
        ("venv", "venv/__main__.py", "python -m stemprep"),
    ],
)
def test_how_the_reader_calls_it(
    program: Path, monkeypatch: pytest.MonkeyPatch, on_path: str, argument: str, called: str
) -> None:
    root = program.parents[1]
    monkeypatch.chdir(root)
    monkeypatch.setenv("PATH", str(root / on_path))
    monkeypatch.setattr(sys, "argv", [argument, "demo"])
    told: list[str] = []

    def ran(_: Path, __: object, how: str) -> SimpleNamespace:
        told.append(how)
        return SimpleNamespace(ran_as_planned=True)

    monkeypatch.setattr("stemprep.app.demo.run_demo", ran)
    left = click.testing.CliRunner().invoke(demo.command, standalone_mode=False)
    assert (left.return_value, told) == (0, [called])
