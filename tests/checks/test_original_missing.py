from __future__ import annotations

from dataclasses import replace

from tests.checks.returns import BASS, judged

GONE = replace(BASS, returned_as=None, status="missing")


def test_what_is_not_back_is_a_note() -> None:
    (finding,) = judged("original-missing", GONE)
    assert (finding.severity, finding.file) == ("note", "data/tracks/Bass.wav")
    assert finding.advice.startswith("Nothing")


def test_what_was_asked_back_and_is_not_there_is_a_warning() -> None:
    (finding,) = judged("original-missing", GONE, everything_asked=True)
    assert finding.severity == "warn"


def test_what_came_back_is_not_missing() -> None:
    assert judged("original-missing", BASS, everything_asked=True) == []
