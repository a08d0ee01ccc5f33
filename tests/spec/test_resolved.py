"""The shipped specs resolved beforehand: quick to load, never other than the YAML says."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from stemprep.spec import load_spec, resolved, shipped_specs
from stemprep.spec.loading import load, resolved_shipped


@pytest.mark.parametrize("name", shipped_specs())
def test_the_resolved_file_says_what_the_yaml_says(name: str) -> None:
    """Out of step? Write it anew: python -m tests.refresh."""
    assert resolved.resolved_spec(name) == load(name)


def test_the_resolved_file_is_as_it_would_be_written() -> None:
    path = resolved.configs_folder() / resolved.RESOLVED_FILE
    assert path.read_text(encoding="utf-8") == resolved.resolved_text(resolved_shipped())


@pytest.mark.parametrize("content", ["", "[]", '{"yaml_sha256": "0", "specs": {}}'])
def test_an_old_or_broken_file_is_not_believed(
    content: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / resolved.RESOLVED_FILE).write_text(content)
    monkeypatch.setattr(resolved, "configs_folder", lambda: tmp_path)
    assert resolved.resolved_spec("base") is None
    assert load_spec("base") == load("base")


def test_a_changed_yaml_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resolved, "_yaml_sha256", lambda: "another")
    assert resolved.resolved_spec("base") is None


def test_a_shipped_spec_needs_no_schema_library() -> None:
    code = (
        "import sys; from stemprep.spec import load_spec; load_spec('mastering'); "
        "print([name for name in ('pydantic', 'yaml', 'numpy') if name in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
