from __future__ import annotations

import pytest

from stemprep.checks.length import LengthRule
from stemprep.checks.sample_rate import SampleRateRule
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Container
from tests.checks.factory import findings_of, judged, measured_file, sound
from tests.shipped import shipped_rule


def formats(*files: MeasuredFile, **rules: Rule) -> list[Finding]:
    """The odd ones are as many samples long as the others, which another check would explain."""
    others: dict[str, Rule] = {"wrong_rate_label": Rule(severity="off"), **rules}
    return findings_of(judged(*files, **others), "mixed-formats")


def plain(number: int) -> MeasuredFile:
    return measured_file(f"{number}.wav")


def test_the_minority_is_named_never_the_whole_set() -> None:
    (finding,) = formats(plain(1), plain(2), measured_file("odd.wav", rate_hz=44_100))
    assert (finding.files, finding.against) == (("odd.wav",), ("1.wav", "2.wav"))
    assert (finding.found, finding.required) == ("44.1 kHz", "48 kHz")
    assert finding.repair == "convert-rate"


def test_one_format_passes() -> None:
    assert not formats(plain(1), plain(2), plain(3))


def test_float_is_not_the_same_as_a_long_integer() -> None:
    odd = measured_file("odd.wav", bit_depth=32, encoding="float")
    (finding,) = formats(*(measured_file(f"{n}.wav", bit_depth=32) for n in range(2)), odd)
    assert (finding.file, finding.repair) == ("odd.wav", "convert-word-length")


def test_of_equally_many_the_higher_is_the_measure() -> None:
    low, high = measured_file("low.wav", rate_hz=44_100), measured_file("high.wav")
    (finding,) = formats(low, high)
    assert finding.file == "low.wav"
    assert "as many" in finding.message


@pytest.mark.parametrize(("container", "severities"), [
    ("RF64", []), ("BW64", []), ("AIFF", ["note"]), ("FLAC", ["note"]),
])  # fmt: skip
def test_containers(container: Container, severities: list[str]) -> None:
    found = formats(plain(1), plain(2), measured_file("odd.x", container=container))
    assert [finding.severity for finding in found] == severities


def test_a_rate_that_is_not_accepted_is_told_once() -> None:
    as_long = sound(identity="odd", frames=441_000)
    odd = measured_file("odd.wav", as_long, rate_hz=44_100)
    rate = shipped_rule(SampleRateRule, severity="fail", accepted_hz=(48_000,))
    judgement = judged(
        plain(1), plain(2), odd, sample_rate=rate, length=shipped_rule(LengthRule, severity="off")
    )
    assert [finding.check for finding in judgement.findings] == ["sample-rate"]


def test_a_word_that_differs_as_well_is_still_told() -> None:
    odd = measured_file("odd.wav", rate_hz=44_100, bit_depth=16)
    assert formats(
        plain(1), plain(2), odd, sample_rate=shipped_rule(SampleRateRule, accepted_hz=(48_000,))
    )


def test_click_is_a_note_and_a_listening_reference_nothing() -> None:
    click = measured_file("click.wav", rate_hz=44_100, role="click")
    reference = measured_file("ref.wav", rate_hz=44_100, role="listening-reference")
    (finding,) = formats(plain(1), plain(2), click, reference)
    assert (finding.file, finding.severity) == ("click.wav", "note")
