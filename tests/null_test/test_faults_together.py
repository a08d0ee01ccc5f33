"""Faults that hide one another: at the same time, of unlike size, or small beside loud stems."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.null_test import null_test, set_of_arrays
from stemprep.null_test.confirm import confirmed
from stemprep.null_test.model import Change, plain_model
from tests.bench.bench_null_test import judged
from tests.null_test.faults import shifted
from tests.null_test.material import Planar, case, quantised, total
from tests.null_test.music import SESSIONS
from tests.null_test.test_null_test import STEP, outcome_of, soft_stems, stems


@pytest.mark.parametrize(
    ("what", "seed"),
    [
        ("level+moved", 14_001),  # a whole lag, not one with an interpolator of many numbers
        ("balance+hole", 14_001),  # fitted only where the cut leaves something to judge
        ("balance+cut-short", 14_003),  # the same
        ("hole+cut-short", 14_001),  # one lacks 17 dB less than the other
        ("section-muted@20", 14_001),  # 130 dB below stems that sound elsewhere
        ("section-moved", 14_005),  # a steady tone: nearly right at many lags
        ("section-moved+cut-short", 14_003),  # the cut begins inside the section
        ("hole@20", 16_003),  # of three steps' height, to nothing at all
        ("cut-short+cut-short", 16_003),  # the second begins while the first lacks sound
        ("section-muted+hole", 16_003),  # muted while another lacks sound
        ("section+hole", 14_001),  # louder then
        ("section-moved+hole", 14_003),  # moved then
        ("hole", 30_010),  # other stems' rounding errors are in what is left
        ("subsample+not-in-mix", 14_003),  # the absent one moved to where it hid more
    ],
)
def test_sets_of_which_something_else_was_told_once(what: str, seed: int) -> None:
    made = case(seed, what, seconds=3.5, with_sessions=False)
    outcome = null_test(made.parts)
    group = "two" if "+" in what else "single"
    assert judged(group, made, outcome)[0], (made.planted, outcome.causes)


@pytest.mark.skipif(not SESSIONS.is_dir(), reason="made of a field session's stems")
@pytest.mark.parametrize(
    ("what", "seed"),
    [
        ("subsample@20", 18_001),  # levels of two like stems leave no more than allowed either
        ("section-moved@20", 18_005),  # the same
        ("moved+cut-short", 22_003),  # the lag read broken while the cut was not seen
        ("inverted+hole", 20_001),  # other stems pause for longer
    ],
)
def test_field_sets_of_which_something_else_was_told_once(what: str, seed: int) -> None:
    made = case(seed, what, seconds=3.5)
    outcome = null_test(made.parts)
    group = "two" if "+" in what else "single"
    assert judged(group, made, outcome)[0], (made.planted, outcome.causes)


def test_two_sections_at_the_same_time_keep_their_edges_in_a_pass_over_the_whole() -> None:
    parts = stems(3)
    mix = total(parts)
    delivered = [part.copy() for part in parts]
    delivered[0][:, 20_000:60_000] = parts[0][:, 19_995:59_995]
    delivered[1][:, 25_000:70_000] *= 1.2
    model = plain_model(set_ := set_of_arrays(mix, delivered, 48_000, STEP))
    for change in (
        Change(0, "as-is", model.routes[0], lag=5.0, span=(24_000, 50_000)),
        Change(1, "level", model.routes[1] / 1.2, span=(24_000, 50_000)),
    ):
        model = model.with_change(change)
    found = confirmed(set_, model, spans_are_known=False).model
    assert found.changes[0].span == pytest.approx((20_000, 60_000), abs=8)
    assert found.changes[1].span == (25_000, 70_000)


def test_a_stem_muted_where_a_moved_section_begins_keeps_its_edges() -> None:
    parts = stems(4)
    delivered = [part.copy() for part in parts]
    delivered[2][:, 30_000:60_000] = parts[2][:, 33_000:63_000]
    muted = parts[1].copy()
    muted[:, 33_500:55_000] = 0.0
    mix = total([parts[0], muted, parts[2], parts[3]])
    causes = outcome_of(mix, delivered).causes
    told = [(cause.kind, cause.file, cause.start_sample, cause.end_sample) for cause in causes]
    assert told == [
        ("not-in-mix", "stem 2", 33_500, 55_000),
        ("moved", "stem 3", 30_000, 60_000),
    ]


def _late(part: Planar, lag: float) -> Planar:
    generator = np.random.default_rng(3)
    return quantised(shifted(part, lag, generator), 24, generator, dithered=True)


def test_the_loudest_stem_late_is_no_equaliser_where_a_second_fault_is_left() -> None:
    """Late by a part of a sample is a filter too, and of the loudest stem nearly one of the mix."""
    parts = soft_stems(4)
    parts[1:] = [
        quantised(0.02 * part, 24, np.random.default_rng(4), dithered=False) for part in parts[1:]
    ]
    mix = total(parts)
    section = parts[2].copy()
    section[:, 30_000:60_000] = parts[2][:, 29_993:59_993]
    causes = outcome_of(mix, [_late(parts[0], 1.361), parts[1], section, parts[3]]).causes
    assert [(cause.kind, cause.file) for cause in causes] == [
        ("moved", "stem 1"),
        ("moved", "stem 3"),
    ]
    assert causes[0].lag_samples == pytest.approx(1.361, abs=0.05)
    assert causes[1].lag_samples == 7.0
