"""Every field case whose fault a file or a spec can show, judged as a drop of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from stemprep.app.check.inspect import inspect
from stemprep.engine import InlineEngine
from stemprep.errors import InputError, SpecError
from stemprep.spec import load_sheet, load_spec
from tests.end_to_end.field_cases import CASES, SPEC, Row, cases, drops_of, rows_of, unpack

pytestmark = pytest.mark.skipif(not CASES.is_dir(), reason="field cases are not beside the project")

# The traps of the listed configurations in this project's own keys; "sheet" or "spec" reads them.
CONFIGURATIONS: dict[str, tuple[str, bytes]] = {
    "norway.yaml": ("sheet", b"title: no\n"),
    "numbers.yaml": ("sheet", b"tempo_bpm: 3:30\ntitle: 010\nartist: 0x10\n"),
    "date.yaml": ("sheet", b"title: '2026-03-14'\nengineer: 2026-03-14\n"),
    "duplicate.yaml": ("spec", b"target:\n  bit_depth: 24\n  bit_depth: 16\n"),
    "null.yaml": ("spec", b"target:\n  sample_rate_hz:\n  bit_depth: ~\n"),
    "typo.yaml": ("spec", b"target:\n  sample_rte_hz: 96000\n"),
    "list.yaml": ("spec", b"- title: a\n- purpose: b\n"),
    "scalar.yaml": ("spec", b"title a\n"),
    "two_docs.yaml": ("spec", b"title: a\n---\ntitle: b\n"),
    "hash.yaml": ("spec", b"extends: base\ntitle: Song #1\n"),
    "braces.yaml": ("spec", b"naming:\n  template: {song_title}_{name}\n"),
    "tab.yaml": ("spec", b"target:\n\tbit_depth: 24\n"),
    "empty.yaml": ("spec", b""),
    "utf16.yaml": ("spec", "extends: base\n".encode("utf-16")),
    "bom.yaml": ("spec", b"\xef\xbb\xbfextends: base\n"),
    "latin1.yaml": ("spec", "extends: base\ntitle: Bl\u00e4ser\n".encode("latin-1")),
}


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return unpack(tmp_path_factory.mktemp("field"))


def judged(case: dict[str, Any], root: Path) -> list[Row]:
    rows: list[Row] = []
    for drop in drops_of(case, root):
        try:
            report = inspect(drop.path, SPEC, engine=InlineEngine())
        except InputError:
            rows += rows_of(drop, (), (), is_refused=True)
        else:
            entries = report.measured.session.entries
            rows += rows_of(drop, report.findings, entries, is_refused=False)
    return rows


@pytest.mark.parametrize("case", cases("file"), ids=lambda case: case["id"])
def test_file_cases(case: dict[str, Any], root: Path) -> None:
    wrong = [row for row in judged(case, root) if not row.is_right]
    assert not wrong, "\n".join(f"{row.file}: expected {row.expected}: {row.told}" for row in wrong)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        pytest.param(file["path"].rpartition("/")[2], file["expectation"], id=file["path"])
        for case in cases("spec")
        for file in case["files"]
    ],
)
def test_spec_cases(name: str, expected: str, tmp_path: Path) -> None:
    kind, text = CONFIGURATIONS[name]
    file = tmp_path / name
    file.write_bytes(text)
    if expected == "reject":
        with pytest.raises(SpecError) as caught:
            load_spec(file) if kind == "spec" else load_sheet(text, name)
        assert all(name in problem for problem in caught.value.problems)
    elif kind == "spec":
        assert bool(load_spec(file).warnings) is (expected == "warn")
    else:
        assert load_sheet(text, name).title


def test_all_cases_in_one_drop_give_one_report(root: Path) -> None:
    """Names, links and formats of every case beside each other."""
    report = inspect(root, SPEC, engine=InlineEngine())
    assert report.verdict == "fail"
    assert len(report.measured.files) > 100


@pytest.mark.parametrize(
    ("name", "told"), [("ovh_right_inverted.wav", {"warn"}), ("wide_synth.wav", set())]
)
def test_one_leg_inverted_and_a_wide_sound(name: str, told: set[str], root: Path) -> None:
    findings = inspect(root / "c18_polarity", SPEC, engine=InlineEngine()).findings
    about = [f for f in findings if f.check == "stereo-polarity" and f.file == name]
    assert {f.severity for f in about} == told
