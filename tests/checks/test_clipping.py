from __future__ import annotations

from typing import Any

import pytest

from stemprep.checks.clipping import ClippingRule
from stemprep.checks.sample_peak import SamplePeakRule
from stemprep.checks.true_peak import TruePeakRule
from stemprep.model.facts import Sound
from stemprep.model.finding import Finding
from stemprep.model.sheet import TrackNote
from tests.checks.factory import found_in, judged, measured_file, runs, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(ClippingRule, severity="fail")
THREE = runs((1, 48_000, 48_003))


def check(heard: Sound, rule: ClippingRule = RULE, **changes: Any) -> list[Finding]:
    return found_in(measured_file(heard=heard, **changes), "clipping", rule)


def test_where_how_long_and_what_is_allowed() -> None:
    (finding,) = check(sound(full_scale=THREE))
    assert finding.message == "3 consecutive full-scale samples at 0:01.000, 2 allowed"
    assert (finding.found, finding.required, finding.unit) == (3, 2, "samples")
    assert (finding.start_sample, finding.end_sample, finding.channel) == (48_000, 48_003, 1)
    assert finding.severity == "fail"


@pytest.mark.parametrize(("allowed", "is_found"), [(2, True), (3, False)])
def test_both_sides_of_the_limit(allowed: int, is_found: bool) -> None:
    rule = shipped_rule(ClippingRule, severity="fail", max_run_samples=allowed)
    assert bool(check(sound(full_scale=THREE), rule)) is is_found


def test_one_sample_at_full_scale_is_a_peak() -> None:
    assert not check(sound(peaks_dbfs=(0.0,)))


def test_the_ten_longest_places_of_all_that_are_counted() -> None:
    places = [(1, 1_000 * n, 1_000 * n + 3 + n) for n in range(1, 21)]
    (finding,) = check(sound(full_scale=runs(*places)))
    assert finding.occurrences is not None
    assert finding.occurrences.count == 20
    assert len(finding.occurrences.worst) == 10
    assert finding.occurrences.worst[0].start_sample == 20_000
    assert (finding.start_sample, finding.end_sample) == (1_000, 20_023)


def test_runs_that_are_short_enough_are_not_counted() -> None:
    rule = shipped_rule(ClippingRule, severity="fail", max_run_samples=5)
    (finding,) = check(sound(full_scale=runs((1, 0, 3), (1, 10, 20))), rule)
    assert finding.occurrences is not None
    assert (finding.occurrences.count, finding.start_sample) == (1, 10)


def test_in_a_float_file_a_plateau_is_a_warning_at_most() -> None:
    heard = sound(full_scale=THREE, peaks_dbfs=(0.0,))
    (finding,) = check(heard, encoding="float", bit_depth=32)
    assert (finding.severity, finding.unit) == ("warn", "samples")


@pytest.mark.parametrize(("peak_dbfs", "gain"), [
    (6.0206, "-6.03 dB"), (4.2, "-4.20 dB"), (0.001, "-0.01 dB"),
])  # fmt: skip
def test_float_over_full_scale_is_intact_and_states_the_gain(peak_dbfs: float, gain: str) -> None:
    heard = sound(peaks_dbfs=(peak_dbfs,), over_full_scale=100)
    (finding,) = check(heard, encoding="float", bit_depth=32)
    assert gain in finding.message
    assert gain.removeprefix("-") in finding.advice
    assert (finding.severity, finding.unit, finding.repair) == ("warn", "dBFS", "gain")


def test_float_up_to_full_scale_passes() -> None:
    assert not check(sound(peaks_dbfs=(0.0,)), encoding="float", bit_depth=32)


@pytest.mark.parametrize(("count", "is_found"), [(2, False), (3, True)])
def test_flat_tops_below_full_scale(count: int, is_found: bool) -> None:
    tops = runs(*((1, 1_000 * n, 1_000 * n + 5) for n in range(count)))
    findings = check(sound(flat_tops=tops, flat_top_dbfs=-1.0))
    assert bool(findings) is is_found
    assert all(finding.severity == "warn" for finding in findings)
    assert all("at -1.00 dBFS" in finding.message for finding in findings)


def test_both_kinds_are_one_finding_with_the_worst_first() -> None:
    tops = runs((1, 0, 5), (1, 10, 15), (1, 20, 25))
    (finding,) = check(sound(full_scale=THREE, flat_tops=tops))
    assert finding.severity == "fail"
    assert finding.unit == "samples"
    assert "; also 3 flat tops" in finding.message


@pytest.mark.parametrize("word", ["distorted", "Clipped "])
def test_what_is_meant_to_sound_that_way_is_a_note(word: str) -> None:
    note = TrackNote(pattern="Gtr.wav", intended=(word,))
    (finding,) = check(sound(full_scale=THREE), note=note)
    assert finding.severity == "note"


def test_other_intentions_change_nothing() -> None:
    note = TrackNote(pattern="Gtr.wav", intended=("noisy",))
    (finding,) = check(sound(full_scale=THREE), note=note)
    assert finding.severity == "fail"


def test_off_is_off_for_all_kinds() -> None:
    judgement = judged(
        measured_file(heard=sound(full_scale=THREE)),
        clipping=shipped_rule(ClippingRule, severity="off"),
    )
    assert not judgement.findings


def test_the_peaks_of_a_clipped_file_are_not_told_again() -> None:
    file = measured_file(heard=sound(full_scale=THREE, peaks_dbfs=(0.0,), true_peak_dbtp=1.2))
    peaks = {
        "sample_peak": shipped_rule(SamplePeakRule, max_dbfs=-1.0),
        "true_peak": shipped_rule(TruePeakRule, max_dbtp=0.0),
    }
    judgement = judged(file, clipping=RULE, **peaks)
    assert [finding.check for finding in judgement.findings] == ["clipping"]


def test_a_worse_peak_finding_is_not_hidden_by_a_milder_clip() -> None:
    file = measured_file(heard=sound(full_scale=THREE, peaks_dbfs=(0.0,), true_peak_dbtp=1.2))
    judgement = judged(
        file,
        clipping=shipped_rule(ClippingRule, severity="note"),
        true_peak=shipped_rule(TruePeakRule, severity="fail", max_dbtp=0.0),
    )
    assert [finding.check for finding in judgement.findings] == ["true-peak", "clipping"]


def test_flat_tops_at_full_scale_are_not_told_as_turned_down() -> None:
    tops = runs(*((1, 1_000 * n, 1_000 * n + 5) for n in range(5)))
    (finding,) = check(sound(flat_tops=tops, flat_top_dbfs=-0.001))
    assert "just below full scale" in finding.message
    assert "-0.00" not in finding.message
    assert "turned down" not in finding.message
