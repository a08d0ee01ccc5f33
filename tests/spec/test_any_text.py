"""Any YAML text gives a spec or a sheet, or a SpecError; never another exception, never a hang."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stemprep.checks import CHECKS
from stemprep.errors import SpecError
from stemprep.model.sheet import SessionSheet, TrackNote
from stemprep.spec import load_sheet, load_spec, shipped_specs, spec_source
from stemprep.spec.keys import sheet_keys, spec_keys
from stemprep.spec.shapes import keys_of

WORDS = st.sampled_from(
    [
        *spec_keys().shapes, *sheet_keys().shapes, *keys_of(TrackNote).shapes,
        "clipping", "severity", "roles", "mix", "accepted", "off",
        "none", "base", "no", "~", "1e-3",
        "07", "1:30", "2026-03-14", "{x}", "[", "]", "{", "}", ":",
        "- ", "  ", "\t", "\n", "#", " #",
        "&a", "*a", "!!str", "'", '"', "|", ">", "? ", "---", "...",
        "%YAML 1.1", "\\", "\x00", "\ufeff",
        "\u202e", '"\\ud800"', '"\\U00110000"', "é", "9" * 30, "-1", "0.5", "/", "..",
    ]
)  # fmt: skip
SOUP = st.lists(WORDS, max_size=40).map("".join)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | WORDS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(WORDS, inner, max_size=5),
    max_leaves=20,
)


def outcome(content: bytes) -> SessionSheet | tuple[str, ...]:
    """Give the sheet, or the problems of a SpecError; any other exception fails the test."""
    try:
        return load_sheet(content, "session.yaml")
    except SpecError as error:
        return error.problems


def assert_told_well(told: SessionSheet | tuple[str, ...]) -> None:
    if isinstance(told, tuple):
        assert told
        assert all(line.startswith(("session.yaml:", "...")) for line in told)
        assert all(line.isprintable() for line in told)


@given(st.binary(max_size=200) | SOUP.map(str.encode) | st.text(max_size=200).map(str.encode))
@settings(max_examples=300, deadline=None)
def test_any_bytes_as_a_sheet(content: bytes) -> None:
    assert_told_well(outcome(content))


@given(st.dictionaries(WORDS, VALUES, max_size=6), st.booleans())
@settings(max_examples=200, deadline=None)
def test_any_document_as_a_sheet(document: dict[str, object], is_flow: bool) -> None:
    text = yaml.safe_dump(document, default_flow_style=is_flow, allow_unicode=True)
    assert_told_well(outcome(text.encode()))


@given(
    SOUP.map(str.encode)
    | st.dictionaries(WORDS, VALUES, max_size=6).map(lambda d: yaml.safe_dump(d).encode())
)
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@pytest.mark.parametrize("head", [b"", b"extends: base\n"])
def test_any_text_as_a_spec(tmp_path: Path, head: bytes, content: bytes) -> None:
    file = tmp_path / "any.yaml"
    file.write_bytes(head + content)
    try:
        spec = load_spec(file)
    except SpecError:
        return
    assert set(spec.rules) == set(CHECKS)


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_a_damaged_shipped_spec_never_crashes(data: st.DataObject) -> None:
    text = spec_source(data.draw(st.sampled_from(shipped_specs())))
    start = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(start, min(len(text), start + 30)))
    damaged = text[:start] + data.draw(WORDS) + text[end:]
    assert_told_well(outcome(damaged.encode()))


@pytest.mark.parametrize("loader", ["SafeLoader", "CSafeLoader"])
def test_both_readers_agree_on_places(monkeypatch: pytest.MonkeyPatch, loader: str) -> None:
    if not hasattr(yaml, loader):
        pytest.skip("this installation of PyYAML has no libyaml")
    monkeypatch.setattr("stemprep.spec.tree._LOADER", getattr(yaml, loader))
    text = "artist: Ä 😀 #x\ntitle: No\ntracks:\n  - file: ../x\n    role: [a]\nsongs: {a}\n"
    problems = outcome(text.encode())
    assert isinstance(problems, tuple)
    assert [line.split(": ")[0] for line in problems] == [
        "session.yaml:2:8", "session.yaml:4:11", "session.yaml:5:11", "session.yaml:6:8",
    ]  # fmt: skip
