"""An earlier report is read as what anybody may hand in."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stemprep.app.since import read_earlier, since
from stemprep.errors import InputError
from stemprep.report import render_json
from tests.report import factory


def test_fixed_still_there_and_new(tmp_path: Path) -> None:
    files = [factory.measured_file(f"{name}.wav") for name in "ABC"]
    then = [
        factory.finding("click", "warn", "A.wav"),
        factory.finding("hum", "note", "A.wav"),
        factory.finding("dropout", "fail", "B.wav"),
        factory.finding("clipping", "warn", "B.wav", waived_by="MK"),
    ]
    now = [
        factory.finding("dropout", "fail", "B.wav"),
        factory.finding("dc-offset", "warn", "C.wav"),
        factory.finding("hum", "note", "B.wav"),
    ]
    old = tmp_path / "old.json"
    old.write_text(render_json(factory.report(files, then, verdict="fail")), encoding="utf-8")
    told = since(factory.report(files, now, verdict="fail"), read_earlier(old), "old.json")
    assert told.fixed == (("click", "A.wav"),)
    assert told.still == (("dropout", "B.wav"),)
    assert told.new == (("dc-offset", "C.wav"),)


@pytest.mark.parametrize(
    "content",
    ["", "[", "[]", "{}", '{"findings": 3}', '{"findings": [3]}', '{"findings": [{}]}',
     "[" * 100_000, json.dumps({"findings": [{"severity": "fail", "waived_by": None,
     "files": [7], "file": None, "check": "hum"}]})],
)  # fmt: skip
def test_what_is_no_report_is_refused_in_words(tmp_path: Path, content: str) -> None:
    old = tmp_path / "old.json"
    old.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=r"stemprep check DROP --json FILE"):
        read_earlier(old)


def test_one_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be read"):
        read_earlier(tmp_path / "none.json")
