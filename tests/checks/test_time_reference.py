from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stemprep.checks import judge
from stemprep.checks.time_reference import TimeReferenceRule
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import ContentLag
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import TrackNote, WorkOrder
from tests.checks.factory import findings_of, judged, measured_file, session, spec
from tests.shipped import shipped_rule

HOUR = 172_800_000


def stamped(path: str, start: int | None, **changes: Any) -> MeasuredFile:
    return measured_file(path, start_samples=start, **changes)


def reference_findings(
    *files: MeasuredFile, rule: TimeReferenceRule | None = None
) -> list[Finding]:
    judgement = judged(
        *files, time_reference=rule or shipped_rule(TimeReferenceRule, severity="warn")
    )
    return findings_of(judgement, "time-reference")


def test_all_or_none_pass() -> None:
    assert not reference_findings(stamped("a.wav", HOUR), stamped("b.wav", HOUR))
    assert not reference_findings(stamped("a.wav", None), stamped("b.wav", None))
    assert not reference_findings(stamped("a.wav", 0), stamped("b.wav", 0))


@pytest.mark.parametrize("start", [None, 0])
def test_the_one_without_is_named(start: int | None) -> None:
    files = stamped("a.wav", HOUR), stamped("b.wav", HOUR), stamped("c.wav", start)
    (finding,) = reference_findings(*files)
    assert (finding.file, finding.severity) == ("c.wav", "warn")


def test_where_few_have_one_it_is_a_note_about_them() -> None:
    files = stamped("a.wav", None), stamped("b.wav", None), stamped("c.wav", HOUR)
    (finding,) = reference_findings(*files)
    assert (finding.file, finding.severity) == ("c.wav", "note")


def test_a_container_that_cannot_hold_one_is_not_asked() -> None:
    files = stamped("a.wav", HOUR), stamped("b.flac", None, container="FLAC")
    assert not reference_findings(*files)


def test_required_means_every_file() -> None:
    rule = shipped_rule(TimeReferenceRule, severity="fail", is_required=True)
    files = stamped("a.wav", None), stamped("b.flac", None, container="FLAC"), stamped("c.wav", 0)
    (finding,) = reference_findings(*files, rule=rule)
    assert (finding.files, finding.severity) == (("a.wav", "b.flac"), "fail")


@pytest.mark.parametrize(("late", "is_found"), [(0, False), (1, True)])
def test_equal_length_and_another_stamp_has_two_readings(late: int, is_found: bool) -> None:
    files = stamped("a.wav", HOUR), stamped("b.wav", HOUR), stamped("c.wav", HOUR + late)
    findings = reference_findings(*files)
    assert bool(findings) is is_found
    assert all("two readings" in finding.message for finding in findings)
    assert all(finding.repair is None and finding.file == "c.wav" for finding in findings)


def test_nothing_is_said_of_a_listening_reference() -> None:
    files = stamped("a.wav", HOUR), stamped("ref.wav", None, role="listening-reference")
    assert not reference_findings(*files)


def test_a_move_that_a_person_ordered_settles_it() -> None:
    note = TrackNote(pattern="c.wav", order=WorkOrder(move_samples=0))
    files = stamped("a.wav", HOUR), stamped("b.wav", HOUR), stamped("c.wav", HOUR + 1, note=note)
    assert not reference_findings(*files)


@pytest.mark.parametrize(
    ("placed_by", "words"),
    [
        ("file-start", "agrees with the others at the file start: the stamp looks wrong"),
        ("time-reference", "agrees with the others at its time reference: the stamp looks right"),
    ],
)
def test_the_sound_tells_which_reading_is_the_likelier(placed_by: Any, words: str) -> None:
    files = stamped("a.wav", HOUR), stamped("b.wav", HOUR), stamped("c.wav", HOUR + 96_000)
    lags = tuple(
        ContentLag(
            song="",
            reference="a.wav",
            file=file.path,
            sample_rate_hz=48_000,
            lag_samples=0,
            likeness=0.9,
            placed_by=placed_by,
        )
        for file in files
    )
    measured = replace(session(*files), content_lags=lags)
    judgement = judge(
        measured, spec({"time-reference": shipped_rule(TimeReferenceRule, severity="warn")})
    )
    (finding,) = findings_of(judgement, "time-reference")
    assert finding.file == "c.wav"
    assert words in finding.message
    assert not findings_of(judgement, "start-alignment")
