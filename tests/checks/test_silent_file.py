from __future__ import annotations

from stemprep.checks.edge_silence import EdgeSilenceRule
from stemprep.model.rule import Rule
from tests.checks.factory import found_in, judged, measured_file, silence, sound
from tests.shipped import shipped_rule


def test_digital_silence() -> None:
    (finding,) = found_in(measured_file(heard=silence()), "silent-file", Rule(severity="warn"))
    assert finding.message == "empty file: every sample is zero"
    assert finding.found is None


def test_noise_below_the_level_is_silence_too() -> None:
    (finding,) = found_in(
        measured_file(heard=silence(peak_dbfs=-90.0)), "silent-file", Rule(severity="warn")
    )
    assert finding.found == -90.0


def test_one_sample_over_the_level_is_sound() -> None:
    heard = sound(frames=1_000, leading_samples=999)
    assert not found_in(measured_file(heard=heard), "silent-file", Rule(severity="warn"))


def test_silence_is_told_once() -> None:
    judgement = judged(
        measured_file(heard=silence(channels=2)),
        head_silence=shipped_rule(EdgeSilenceRule, severity="fail"),
        tail_silence=shipped_rule(EdgeSilenceRule, severity="fail"),
        silent_file=Rule(severity="note"),
    )
    assert [finding.check for finding in judgement.findings] == ["silent-file"]
    assert judgement.verdict == "pass"
