from __future__ import annotations

from typing import Any

import pytest

from stemprep.checks.length import LengthRule
from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Role
from tests.checks.factory import fault, findings_of, judged, measured_file, sound
from tests.shipped import shipped_rule


def lengths(*files: MeasuredFile, rule: LengthRule | None = None) -> list[Finding]:
    return findings_of(
        judged(*files, length=rule or shipped_rule(LengthRule, severity="warn")), "length"
    )


def of(path: str, frames: int, **changes: Any) -> MeasuredFile:
    return measured_file(path, sound(identity=path, frames=frames), **changes)


def test_the_minority_is_named_and_what_it_was_compared_with() -> None:
    (finding,) = lengths(of("a.wav", 48_000), of("b.wav", 48_000), of("c.wav", 47_999))
    assert (finding.file, finding.against) == ("c.wav", ("a.wav",))
    assert (finding.found, finding.required, finding.repair) == (47_999, 48_000, "pad")
    assert finding.message.startswith("1 sample (0.02 ms) shorter")


def test_a_longer_file_has_no_cure_of_its_own() -> None:
    (finding,) = lengths(of("a.wav", 48_000), of("b.wav", 48_000), of("c.wav", 48_512))
    assert (finding.file, finding.repair) == ("c.wav", None)


@pytest.mark.parametrize(("tolerance", "is_found"), [(511, True), (512, False)])
def test_both_sides_of_the_tolerance(tolerance: int, is_found: bool) -> None:
    files = of("a.wav", 48_000), of("b.wav", 48_000), of("c.wav", 48_512)
    rule = shipped_rule(LengthRule, severity="warn", tolerance_samples=tolerance)
    assert bool(lengths(*files, rule=rule)) is is_found


def test_without_a_common_length_the_longest_is_the_measure() -> None:
    (finding,) = lengths(of("a.wav", 48_000), of("b.wav", 50_000))
    assert finding.file == "a.wav"


@pytest.mark.parametrize(("frames", "rate_hz", "is_found"), [
    (96_000, 96_000, False), (44_100, 44_100, False), (44_101, 44_100, True),
    (96_001, 96_000, False), (96_002, 96_000, True),
])  # fmt: skip
def test_rates_are_compared_by_duration(frames: int, rate_hz: int, is_found: bool) -> None:
    odd = of("c.wav", frames, rate_hz=rate_hz)
    assert bool(lengths(of("a.wav", 48_000), of("b.wav", 48_000), odd)) is is_found


def test_files_off_by_the_same_amount_are_one_finding() -> None:
    files = [of(f"{n}.wav", 48_000) for n in range(3)]
    (finding,) = lengths(*files, of("x.wav", 47_000), of("y.wav", 47_000))
    assert finding.files == ("x.wav", "y.wav")


@pytest.mark.parametrize(("role", "severities"), [
    ("click", ["note"]), ("talkback", ["note"]), ("alternate-mix", ["warn"]),
    ("listening-reference", []),
])  # fmt: skip
def test_what_has_to_line_up(role: Role, severities: list[str]) -> None:
    files = of("a.wav", 48_000), of("b.wav", 48_000), of("c.wav", 9_000, role=role)
    assert [finding.severity for finding in lengths(*files)] == severities


def test_clicks_are_not_the_measure() -> None:
    clicks = [of(f"click {n}.wav", 9_000, role="click") for n in range(3)]
    (finding,) = lengths(*clicks, of("a.wav", 48_000), of("b.wav", 48_000))
    assert finding.files == ("click 0.wav", "click 1.wav", "click 2.wav")


def test_a_truncated_file_does_not_also_warn_about_its_length() -> None:
    cut = of("c.wav", 30_000, faults=(fault("truncated"),))
    judgement = judged(of("a.wav", 48_000), of("b.wav", 48_000), cut)
    assert [finding.check for finding in judgement.findings] == ["truncated"]
