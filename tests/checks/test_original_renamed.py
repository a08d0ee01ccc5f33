from __future__ import annotations

from dataclasses import replace

from tests.checks.returns import BASS, judged


def test_another_name_is_a_note() -> None:
    renamed = replace(BASS, returned_as="Bass (1).wav", is_renamed=True)
    (finding,) = judged("original-renamed", renamed)
    assert (finding.severity, finding.file) == ("note", "Bass (1).wav")
    assert "Bass.wav" in finding.message


def test_its_own_name_is_nothing() -> None:
    assert judged("original-renamed", BASS) == []
