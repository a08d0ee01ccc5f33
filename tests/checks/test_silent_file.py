from __future__ import annotations

from stemprep.model.rule import EdgeSilenceRule, Rule
from tests.checks.factory import found_in, judged, measured_file, silence, sound


def test_digital_silence() -> None:
    (finding,) = found_in(measured_file(heard=silence()), "silent-file", Rule())
    assert "every sample is zero" in finding.message
    assert finding.found is None


def test_noise_below_the_level_is_silence_too() -> None:
    (finding,) = found_in(measured_file(heard=silence(peak_dbfs=-90.0)), "silent-file", Rule())
    assert finding.found == -90.0


def test_one_sample_over_the_level_is_sound() -> None:
    heard = sound(frames=1_000, leading_samples=999)
    assert not found_in(measured_file(heard=heard), "silent-file", Rule())


def test_silence_is_told_once() -> None:
    judgement = judged(
        measured_file(heard=silence(channels=2)),
        head_silence=EdgeSilenceRule(severity="fail"),
        tail_silence=EdgeSilenceRule(severity="fail"),
        silent_file=Rule(severity="note"),
    )
    assert [finding.check for finding in judgement.findings] == ["silent-file"]
    assert judgement.verdict == "pass"
