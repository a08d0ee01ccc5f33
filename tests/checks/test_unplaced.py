from __future__ import annotations

from dataclasses import replace

from tests.checks.returns import GUITAR, judged

LOST = replace(
    GUITAR,
    start_sample=None,
    late_samples=None,
    placed_by="unknown",
    evidence="it has no time reference; the mix was sought in it and none was found",
)


def test_what_has_a_place_is_no_finding() -> None:
    assert judged("unplaced", GUITAR) == []


def test_what_has_none_is_a_warning_with_its_order() -> None:
    (finding,) = judged("unplaced", LOST)
    assert (finding.severity, finding.file) == ("warn", "Guitar OD.wav")
    assert finding.message.startswith("where it begins is not known: it has no time reference")
    assert "--place FILE=SAMPLES" in finding.advice


def test_without_a_song_no_sample_can_be_ordered() -> None:
    (finding,) = judged("unplaced", replace(LOST, session_format=None))
    assert "folder with the song's name" in finding.advice
