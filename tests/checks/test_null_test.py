from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stemprep.checks import judge
from stemprep.model.finding import Finding
from stemprep.model.null_test import NullCause, NullTest, UntestedSum
from stemprep.model.rule import Rule
from stemprep.model.sheet import SessionSheet, SongNote
from tests.checks.factory import measured_file, null_test, session, spec

TEST = null_test()
LEVEL = NullCause(kind="level", file="GTR.wav", gain_db=0.5, confidence=0.99)


def found(
    *tests: NullTest, sheet: SessionSheet | None = None, severity: Any = "fail"
) -> tuple[Finding, ...]:
    files = [
        measured_file("BASS.wav", role="stem"),
        measured_file("GTR.wav", role="stem"),
        measured_file("MIX.wav", role="mix"),
    ]
    measured = replace(session(*files, sheet=sheet), null_tests=tests)
    judgement = judge(measured, spec({"null-test": Rule(severity=severity)}))
    assert judgement.set_facts.null_tests == tests
    return tuple(each for each in judgement.findings if each.check == "null-test")


@pytest.mark.parametrize("verdict", ["exact", "word-length"])
def test_stems_that_add_up_pass(verdict: Any) -> None:
    assert not found(replace(TEST, verdict=verdict))


def test_a_culprit_is_named_in_plain_words_against_the_mix() -> None:
    (finding,) = found(replace(TEST, causes=(LEVEL,)))
    assert (finding.severity, finding.file, finding.against) == ("warn", "GTR.wav", ("MIX.wav",))
    assert "GTR.wav is 0.50 dB louder than its part in the mix" in finding.message
    assert (finding.found, finding.required, finding.unit) == (-47.0, -133.0, "dBFS")


def test_where_nobody_is_to_blame_the_mix_is_named_against_its_stems() -> None:
    cause = NullCause(kind="bus-dynamics", process="dynamics", gain_range_db=(-3.2, 0.1))
    (finding,) = found(replace(TEST, causes=(cause,)))
    assert (finding.severity, finding.file) == ("warn", "MIX.wav")
    assert finding.against == ("BASS.wav", "GTR.wav")
    assert "by -3.2 to +0.1 dB" in finding.message


def test_a_fail_only_where_the_sheet_says_that_the_bus_is_unprocessed() -> None:
    told = SessionSheet(songs=(SongNote(title="", mix_bus_processed=False),))
    assert found(TEST, sheet=told)[0].severity == "fail"
    assert found(TEST, sheet=told, severity="warn")[0].severity == "warn"
    processed = SessionSheet(songs=(SongNote(title="", mix_bus_processed=True),))
    assert found(TEST, sheet=processed)[0].severity == "warn"
    assert not found(TEST, severity="off")


def test_equal_alternatives_are_all_named() -> None:
    other = replace(LEVEL, file="BASS.wav", gain_db=-0.5)
    (finding,) = found(replace(TEST, causes=(replace(LEVEL, alternatives=(other,)),)))
    assert finding.file is None
    assert finding.files == ("BASS.wav", "GTR.wav")
    assert "or equally well: BASS.wav is 0.50 dB quieter" in finding.message


def test_one_mix_that_the_stems_add_up_to_is_enough() -> None:
    assert not found(TEST, replace(TEST, verdict="word-length", reference="BASS.wav"))


@pytest.mark.parametrize(
    ("cause", "words"),
    [
        (NullCause(kind="moved", file="GTR.wav", lag_samples=37.0), "37 samples (0.77 ms) late"),
        (
            NullCause(kind="moved", file="GTR.wav", lag_samples=-0.25),
            "0.25 samples (0.01 ms) early",
        ),
        (NullCause(kind="inverted", file="GTR.wav"), "inverted in polarity"),
        (NullCause(kind="not-in-mix", file="GTR.wav"), "is not in the mix"),
        (NullCause(kind="pan", file="GTR.wav", is_swapped=True), "left and right exchanged"),
        (
            NullCause(kind="cut-short", file="GTR.wav", start_sample=48_000, end_sample=96_000),
            "goes on from 0:01.000 to 0:02.000",
        ),
        (
            NullCause(kind="missing-stem", level_dbfs=-25.0, centre_hz=440.0),
            "something that no stem has (-25.0 dBFS RMS, centred at 440 Hz)",
        ),
        (NullCause(kind="not-explained"), "no file accounts for it"),
    ],
)
def test_each_kind_has_its_words(cause: NullCause, words: str) -> None:
    (finding,) = found(replace(TEST, causes=(cause,)))
    assert words in finding.message


@pytest.mark.parametrize(
    ("obstacle", "words"),
    [("sample-rate", "44.1 kHz here, 48 kHz there"), ("not-readable", "not all of them")],
)
def test_stems_that_could_not_be_summed_are_a_note_with_the_reason(
    obstacle: Any, words: str
) -> None:
    files = [
        measured_file("BASS.wav", role="stem"),
        measured_file("GTR.wav", role="stem", rate_hz=44_100),
        measured_file("MIX.wav", role="mix"),
    ]
    untested = UntestedSum(
        song="",
        reference="MIX.wav",
        stems=("BASS.wav", "GTR.wav"),
        odd=("GTR.wav",),
        obstacle=obstacle,
    )
    measured = replace(session(*files), untested_sums=(untested,))
    judgement = judge(measured, spec({"null-test": Rule(severity="fail")}))
    (finding,) = (each for each in judgement.findings if each.check == "null-test")
    assert (finding.severity, finding.file, finding.against) == ("note", "GTR.wav", ("MIX.wav",))
    assert words in finding.message
    assert judgement.set_facts.untested_sums == (untested,)
