"""Nobody is blamed for what the mix as a whole went through, or for what another file may be."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.null_test import null_test, set_of_arrays
from stemprep.null_test.confirm import with_exact_edges
from stemprep.null_test.excerpts import metered
from stemprep.null_test.limits import floor_of
from stemprep.null_test.model import Change, plain_model
from tests.null_test.faults import shifted
from tests.null_test.material import Planar, quantised, total
from tests.null_test.test_null_test import STEP, outcome_of, stems


def stored(samples: Planar, bits: int = 24) -> Planar:
    return quantised(samples, bits, np.random.default_rng(0), dithered=False)


def one_loud(count: int) -> list[Planar]:
    """Stems of which the first is 34 dB above the others."""
    first, *others = stems(count)
    return [first, *(stored(0.02 * other) for other in others)]


def below(samples: Planar, limit_hz: float) -> Planar:
    """Steeply low-passed, as a rate converter does."""
    frequencies = np.fft.rfftfreq(samples.shape[1], 1 / 48_000)
    passed = 1 / (1 + (frequencies / limit_hz) ** 30)
    return np.asarray(np.fft.irfft(np.fft.rfft(samples) * passed, samples.shape[1]))


def test_a_mix_that_a_converter_made_late_is_told_not_its_loudest_stem() -> None:
    parts = one_loud(3)
    late = shifted(below(total(parts), 20_000), 0.361, np.random.default_rng(1))
    (cause,) = outcome_of(stored(late), parts).causes
    assert (cause.kind, cause.file) == ("moved", "mix")
    assert cause.lag_samples == pytest.approx(0.361, abs=0.01)


@pytest.mark.parametrize("ride_db", [-6.0, 3.0])
def test_a_fader_ride_of_the_whole_mix_is_none_of_its_stems(ride_db: float) -> None:
    parts = one_loud(2)
    mix = total(parts)
    mix[:, 30_000:60_000] *= 10 ** (ride_db / 20)
    (cause,) = outcome_of(stored(mix), parts).causes
    assert (cause.kind, cause.file) == ("bus-dynamics", None)


@pytest.mark.parametrize("start", [50_000, 51_000, 53_000])
def test_a_missing_stem_that_sets_in_where_a_quiet_one_was_gated_stays_possible(start: int) -> None:
    """The quiet one drops from four steps of 16 bit to nothing; fades do so too, gates do."""
    step = 2.0**-15
    parts = [stored(part, 16) for part in stems(4)]
    quiet = np.random.default_rng(5).uniform(-4, 4, parts[0].shape) * step
    quiet[:, 49_999], quiet[:, 50_000:] = 4 * step, 0.0
    missing = parts[3].copy()
    missing[:, :start] = 0.0
    delivered = [parts[0], parts[1], stored(quiet, 16)]
    mix = total([*delivered, missing])
    (cause,) = null_test(set_of_arrays(mix, delivered, 48_000, step)).causes
    kinds = {cause.kind, *(other.kind for other in cause.alternatives)}
    assert "missing-stem" in kinds
    assert cause.confidence < 0.5 or cause.kind == "missing-stem"


@pytest.mark.parametrize(("level_db", "lag"), [(-30.0, 100.0), (-40.0, -3000.0)])
def test_a_stem_moved_and_far_lower_in_the_mix_is_told_with_both(
    level_db: float, lag: float
) -> None:
    parts = stems(4)
    in_mix = [part.copy() for part in parts]
    in_mix[1] *= 10 ** (level_db / 20)
    parts[1] = shifted(parts[1], lag, np.random.default_rng(1))
    causes = outcome_of(stored(total(in_mix)), parts).causes
    assert [(cause.kind, cause.file) for cause in causes] == [
        ("moved", "stem 2"),
        ("level", "stem 2"),
    ]
    assert causes[0].lag_samples == lag
    assert causes[1].gain_db == pytest.approx(-level_db, abs=0.005)


@pytest.mark.parametrize("lag", [50, -50, 7])
def test_a_section_that_was_moved_up_to_the_end_is_told_up_to_the_end(lag: int) -> None:
    parts = stems(4)
    moved = parts[2].copy()
    around = np.pad(parts[2], ((0, 0), (100, 100)))
    moved[:, 56_000:] = around[:, 56_100 - lag : 96_100 - lag]
    (cause,) = outcome_of(total(parts), [parts[0], parts[1], moved, parts[3]]).causes
    assert (cause.kind, cause.lag_samples) == ("moved", float(lag))
    assert (cause.start_sample, cause.end_sample) == (56_000, 96_000)


def test_a_missing_double_beside_a_hole_is_told_as_an_equal_too() -> None:
    """Two microphones that hear the same spill; a third such one is missing."""
    parts = stems(5)
    parts[1] = stored(0.6 * parts[0] + 1e-6 * parts[1])
    missing = stored(0.5 * parts[0] + 1e-6 * parts[4])
    hole = parts[2].copy()
    hole[:, 30_000:60_000] = 0.0
    mix = total([*parts[:4], missing])
    causes = outcome_of(mix, [parts[0], parts[1], hole, parts[3]]).causes
    for cause in causes:
        names = {cause.file, *(other.file for other in cause.alternatives)}
        assert names & {None, "stem 3"}


def test_what_was_found_is_kept_when_the_work_ends_before_its_edges_are_exact() -> None:
    parts = set_of_arrays(total(stems(3)), stems(3), 48_000, STEP)
    model = plain_model(parts)
    model = model.with_change(Change(0, "as-is", model.routes[0], lag=5.0, span=(9_000, 50_000)))
    spent = metered(parts, is_short=False)
    spent.spend(4_600_000_000)
    assert with_exact_edges(spent, model, floor_of(parts)) == model
