from __future__ import annotations

from stemprep.checks.dc_offset import DcOffsetRule
from stemprep.model.facts import NonFinite
from stemprep.model.rule import Rule
from tests.checks.factory import found_in, judged, measured_file, sound
from tests.shipped import shipped_rule

BROKEN = NonFinite(count=2, first_channel=2, first_sample=9_000)


def test_count_channel_and_time_of_the_first() -> None:
    file = measured_file(heard=sound(channels=2, non_finite=BROKEN), encoding="float", bit_depth=32)
    (finding,) = found_in(file, "not-finite", Rule(severity="fail"))
    assert (
        finding.message
        == "2 samples without a value (NaN or infinite), the first in right at 0:00.188"
    )
    assert (finding.channel, finding.start_sample, finding.end_sample) == (2, 9_000, 9_001)


def test_finite_samples_pass() -> None:
    assert not found_in(
        measured_file(encoding="float", bit_depth=32), "not-finite", Rule(severity="warn")
    )


def test_other_figures_of_the_file_mean_nothing() -> None:
    heard = sound(non_finite=BROKEN, peaks_dbfs=(3.0,), dc_offset=(0.5,), over_full_scale=4)
    file = measured_file(heard=heard, encoding="float", bit_depth=32)
    judgement = judged(file, not_finite=Rule(severity="note"), dc_offset=shipped_rule(DcOffsetRule))
    assert [finding.check for finding in judgement.findings] == ["not-finite"]
