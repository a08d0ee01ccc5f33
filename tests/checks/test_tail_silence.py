from __future__ import annotations

import pytest

from stemprep.checks.edge_silence import EdgeSilenceRule
from tests.checks.factory import found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(EdgeSilenceRule, max_s=2.0)


@pytest.mark.parametrize(("samples", "is_found"), [(96_000, False), (96_001, True)])
def test_both_sides_of_the_limit(samples: int, is_found: bool) -> None:
    file = measured_file(heard=sound(trailing_samples=samples), role="mix")
    assert bool(found_in(file, "tail-silence", RULE)) is is_found


def test_place_and_level() -> None:
    file = measured_file(heard=sound(trailing_samples=96_001), role="mix")
    (finding,) = found_in(file, "tail-silence", RULE)
    assert (finding.start_sample, finding.end_sample) == (383_999, 480_000)
    assert "at or below -70 dBFS" in finding.message


def test_the_other_end_is_another_check() -> None:
    file = measured_file(heard=sound(leading_samples=200_000))
    assert not found_in(file, "tail-silence", RULE)
