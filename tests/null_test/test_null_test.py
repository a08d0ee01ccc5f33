"""One known fault a set: the file, the kind and the figures have to be told; or nobody blamed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stemprep.null_test import Outcome, null_test, set_of_arrays
from tests import signals
from tests.bench.bench_null_test import judged
from tests.null_test.material import FAULTS, NOBODY, Planar, case, quantised, shortened, total

STEP = 2.0**-23
SMALL = ("fine-level@20", "fine-level@40", "level@20", "moved@40", "inverted@20", "hole@40")


@pytest.mark.parametrize("what", [*FAULTS, *SMALL])
def test_single_faults_are_named(what: str) -> None:
    made = case(1_000, what, seconds=2.5, most=5)
    outcome = null_test(made.parts)
    is_right, *errors = judged("single", made, outcome)
    assert is_right, (made.planted, outcome.causes, errors)


@pytest.mark.parametrize("way", ["floored", "towards-zero"])
@pytest.mark.parametrize("what", ["level", "moved", "hole", "clean"])
def test_words_that_were_cut_off_hide_no_fault(what: str, way: str) -> None:
    """Many programs write 24 bits by a shift or a cast instead of rounding (common practice)."""
    made = case(1_006, f"{what}:{way}", seconds=2.5)
    outcome = null_test(made.parts)
    group = "nobody" if what == "clean" else "single"
    assert judged(group, made, outcome)[0], (made.planted, outcome.causes)


@pytest.mark.parametrize("factor", [1.0, 0.7])
def test_floored_stems_that_set_in_one_after_another_add_up(factor: float) -> None:
    """Each leaves half a step from where it sounds on; 16 of them leave eight steps at the end."""
    generator = np.random.default_rng(3)
    parts = [0.2 * stem for stem in stems(8) for _ in range(2)]
    for place, stem in enumerate(parts):
        stem[:, : place * 6_000] = 0.0
    mix = shortened(factor * total(parts), 24, generator, "floored")
    delivered = [shortened(part, 24, generator, "floored") for part in parts]
    outcome = outcome_of(mix, delivered)
    assert outcome.verdict == "word-length", outcome
    assert outcome.gain == pytest.approx(factor, abs=1e-5)


@pytest.mark.parametrize(
    "what", ["level+moved", "inverted+balance", "level+cut-short", "subsample+level"]
)
def test_two_faults_are_both_named(what: str) -> None:
    made = case(1_002, what, seconds=2.5, most=5)
    outcome = null_test(made.parts)
    assert judged("two", made, outcome)[0], (made.planted, outcome.causes)


@pytest.mark.parametrize("what", NOBODY)
def test_nobody_is_blamed(what: str) -> None:
    seconds = 1.5 if what == "re-rendered" else 2.5  # it uses up the search's passes over the set
    made = case(1_004, what, seconds=seconds, most=5)
    outcome = null_test(made.parts)
    assert judged("nobody", made, outcome)[0], outcome.causes


def stems(count: int = 4, seconds: float = 2.0) -> list[Planar]:
    generator = np.random.default_rng(7)
    wide = [
        signals.noise(peak_dbfs=-20, seconds=seconds, channels=2, seed=seed)
        + signals.pluck(peak_dbfs=-20, seconds=seconds, channels=2, seed=seed)
        for seed in range(count)
    ]
    return [quantised(stem, 24, generator, dithered=False) for stem in wide]


def soft_stems(count: int) -> list[Planar]:
    """Noise without its highest octaves, 24 bit."""
    generator = np.random.default_rng(8)
    smooth = np.hanning(64) / 8
    return [
        quantised(
            np.stack([np.convolve(row, smooth, mode="same") for row in stem]),
            24,
            generator,
            dithered=False,
        )
        for stem in stems(count)
    ]


def outcome_of(mix: Planar, parts: list[Planar]) -> Outcome:
    return null_test(set_of_arrays(mix, parts, 48_000, STEP))


def test_a_mix_that_is_the_sum_is_exact() -> None:
    parts = stems()
    outcome = outcome_of(total(parts), parts)
    assert (outcome.verdict, outcome.peak, outcome.gain) == ("exact", 0.0, 1.0)


def test_an_inverted_mix_is_told_and_is_no_negative_gain() -> None:
    parts = stems()
    outcome = outcome_of(-total(parts), parts)
    assert (outcome.verdict, outcome.gain) == ("not", 1.0)
    assert [(cause.kind, cause.file) for cause in outcome.causes] == [("inverted", "mix")]


def test_a_mix_of_something_else_that_leans_to_the_inverse_has_no_negative_gain() -> None:
    """Truncated words keep an inverted mix from nulling; another song's mix leans either way."""
    parts = stems()
    noise = signals.noise(peak_dbfs=-60, seconds=2.0, channels=2, seed=99)
    for mix in (noise - total(parts), noise - 1e-6 * total(parts)):
        assert outcome_of(mix, parts).gain > 0


def test_the_sums_own_peak_is_told_over_full_scale_too() -> None:
    """Amplitudes of tones in phase add: 2 x -1 dBFS peaks at -1 + 20 log10(2) (arithmetic)."""
    tone = signals.sine(1000, peak_dbfs=-1, seconds=1, channels=2)
    quieter = outcome_of(0.5 * tone, [tone, tone])
    assert 20 * math.log10(quieter.sum_peak) == pytest.approx(5.0206, abs=1e-6)
    parts = stems()
    for mix in (total(parts), 0.7 * total(parts), -total(parts), np.zeros_like(parts[0])):
        assert outcome_of(mix, parts).sum_peak == np.abs(total(parts)).max()


def test_a_common_gain_is_fitted_and_no_fault() -> None:
    generator = np.random.default_rng(8)
    parts = stems()
    mix = quantised(total(parts) * 10 ** (-3.1 / 20), 24, generator, dithered=True)
    outcome = outcome_of(mix, parts)
    assert outcome.verdict == "word-length"
    assert 20 * math.log10(outcome.gain) == pytest.approx(-3.1, abs=1e-5)
    assert not outcome.causes


def test_one_stem_at_another_level_under_a_common_gain() -> None:
    generator = np.random.default_rng(9)
    parts = stems(5)
    mix = quantised(total(parts) * 0.7, 24, generator, dithered=False)
    parts[3] = quantised(parts[3] * 10 ** (-2 / 20), 24, generator, dithered=False)
    outcome = outcome_of(mix, parts)
    (cause,) = outcome.causes
    assert (cause.kind, cause.file) == ("level", "stem 4")
    assert cause.gain_db == pytest.approx(-2.0, abs=0.001)
    assert outcome.gain == pytest.approx(0.7, abs=1e-5)


def test_of_two_stems_either_may_be_at_fault() -> None:
    """With a common gain unknown, one stem louder and the other quieter are the same."""
    parts = stems(2)
    mix = total(parts)
    outcome = outcome_of(mix, [parts[0] * 1.5, parts[1]])
    (cause,) = outcome.causes
    (other,) = cause.alternatives
    assert {cause.file, other.file} == {"stem 1", "stem 2"}
    assert cause.gain_db == pytest.approx(20 * math.log10(1.5), abs=0.001)
    assert other.gain_db == pytest.approx(-20 * math.log10(1.5), abs=0.001)
    assert cause.confidence < 0.5


def test_of_four_stems_two_may_be_louder_or_the_other_two_quieter() -> None:
    parts = stems(4)
    mix = total(parts)
    causes = outcome_of(mix, [parts[0] * 1.5, parts[1] * 1.5, parts[2], parts[3]]).causes
    told = {cause.file for cause in causes}
    others = {other.file for cause in causes for other in cause.alternatives}
    assert {frozenset(told), frozenset(others)} == {
        frozenset({"stem 1", "stem 2"}),
        frozenset({"stem 3", "stem 4"}),
    }


def test_stems_with_the_same_sound_are_equal_alternatives() -> None:
    parts = stems(4)
    parts[2] = parts[1].copy()
    mix = total(parts)
    parts[1], parts[2] = parts[1] * 0.5, parts[1] * 0.5
    mix = mix - 0.5 * parts[1]
    (cause,) = outcome_of(mix, parts).causes
    told = {cause.file, *(other.file for other in cause.alternatives)}
    assert told == {"stem 2", "stem 3", None}  # or a third one that sounds the same is missing


def test_a_late_mix_is_named_not_its_stems() -> None:
    parts = stems(4)
    mix = np.zeros_like(total(parts))
    mix[:, 37:] = total(parts)[:, :-37]
    (cause,) = outcome_of(mix, parts).causes
    assert (cause.kind, cause.file, cause.lag_samples) == ("moved", "mix", 37.0)


def test_an_inverted_mix_is_named_not_its_stems() -> None:
    parts = stems(4)
    (cause,) = outcome_of(-total(parts), parts).causes
    assert (cause.kind, cause.file) == ("inverted", "mix")


def test_a_stem_late_and_louder_is_told_with_both() -> None:
    generator = np.random.default_rng(3)
    parts = stems(4)
    mix = total(parts)
    late = np.zeros_like(parts[0])
    late[:, 500:] = parts[0][:, :-500] * 2
    parts[0] = quantised(late, 24, generator, dithered=False)
    causes = outcome_of(mix, parts).causes
    assert [(cause.kind, cause.file) for cause in causes] == [
        ("moved", "stem 1"),
        ("level", "stem 1"),
    ]
    assert causes[0].lag_samples == pytest.approx(500.0, abs=1e-6)
    assert causes[1].gain_db == pytest.approx(6.0206, abs=0.001)


def test_a_missing_stem_is_told_with_level_time_and_spectrum() -> None:
    parts = stems(4)
    tone = signals.sine(1000, peak_dbfs=-20, seconds=2, channels=2)
    tone[:, :48_000] = 0.0
    outcome = outcome_of(total([*parts, tone]), parts)
    (cause,) = outcome.causes
    assert (cause.kind, cause.file) == ("missing-stem", None)
    assert cause.level_dbfs == pytest.approx(-23.01, abs=0.2)
    assert cause.centre_hz == pytest.approx(1000, abs=30)
    assert cause.start_sample == pytest.approx(48_000, abs=1024)


def test_silence_against_silence_is_exact() -> None:
    silent = np.zeros((2, 5000))
    assert outcome_of(silent, [silent, silent]).verdict == "exact"


def test_a_silent_mix_of_sounding_stems_is_no_null() -> None:
    parts = stems(2, 1.0)
    assert outcome_of(np.zeros_like(parts[0]), parts).verdict == "not"


@pytest.mark.parametrize("frames", [1, 255, 4097])
def test_short_sounds(frames: int) -> None:
    parts = [stem[:, :frames] for stem in stems(3, 1.0)]
    assert outcome_of(total(parts), parts).verdict == "exact"
    assert outcome_of(0.5 * total(parts[:2]) + parts[2], parts).verdict == "not"


def test_mono_stems_in_a_stereo_mix_and_stereo_in_mono() -> None:
    mono = [stem[:1] for stem in stems(3)]
    wide = np.tile(sum(mono, np.zeros_like(mono[0])), (2, 1))
    assert outcome_of(wide, mono).verdict == "exact"
    stereo = [np.tile(stem, (2, 1)) for stem in mono]
    assert outcome_of(sum(mono, np.zeros_like(mono[0])), stereo).verdict == "exact"


def test_a_gain_error_leaves_what_arithmetic_says() -> None:
    """20 log10(10^(g/20) - 1) re the stem: 0.5 dB leaves -24.6 dB (arithmetic, from memory)."""
    parts = stems(4)
    mix = total(parts)
    rms = float(np.sqrt(np.mean(parts[0] ** 2)))
    parts[0] = parts[0] * 10 ** (0.5 / 20)
    assert 20 * math.log10(outcome_of(mix, parts).rms / rms) == pytest.approx(-24.6, abs=0.06)


def test_a_shift_leaves_what_arithmetic_says() -> None:
    """|2 sin(pi f / fs)|: one sample at 48 kHz leaves -17.7 dB of a 1 kHz stem (arithmetic)."""
    parts = stems(3)
    tone = signals.sine(1000, peak_dbfs=-20, seconds=2, channels=2)
    mix = total([*parts, tone])
    rms = float(np.sqrt(np.mean(tone**2)))
    outcome = outcome_of(mix, [*parts, np.roll(tone, 1, axis=1)])
    assert 20 * math.log10(outcome.rms / rms) == pytest.approx(-17.7, abs=0.05)


def test_an_inverted_stem_leaves_twice_itself() -> None:
    """+6.02 dB re the stem (arithmetic)."""
    parts = stems(3)
    mix = total(parts)
    rms = float(np.sqrt(np.mean(parts[1] ** 2)))
    outcome = outcome_of(mix, [parts[0], -parts[1], parts[2]])
    assert 20 * math.log10(outcome.rms / rms) == pytest.approx(6.02, abs=0.01)
    assert [(cause.kind, cause.file) for cause in outcome.causes] == [("inverted", "stem 2")]


def test_nearly_alike_stems_are_told_apart_by_a_joint_fit() -> None:
    """Two microphones of one source, 60 dB of difference: one inverted, the other louder."""
    generator = np.random.default_rng(11)
    parts = stems(5)
    parts[1] = quantised(0.7 * parts[0] + 1e-3 * parts[1], 24, generator, dithered=False)
    mix = total(parts)
    parts[0], parts[1] = -parts[0], quantised(parts[1] * 1.1, 24, generator, dithered=False)
    causes = outcome_of(mix, parts).causes
    assert [(cause.kind, cause.file) for cause in causes] == [
        ("inverted", "stem 1"),
        ("level", "stem 2"),
    ]
    assert causes[1].gain_db == pytest.approx(20 * math.log10(1.1), abs=0.005)


def test_stems_that_were_cut_off_instead_of_rounded_add_up() -> None:
    """Each file loses half a step on average (standard quantising theory): no stem is to blame."""
    parts = [0.9137 * part for part in stems(5)]  # off every grid
    mix = np.floor(np.sum(parts, axis=0) / STEP) * STEP
    cut_off = [np.floor(part / STEP) * STEP for part in parts]
    found = outcome_of(mix, cut_off)
    assert abs(float(np.mean(mix - np.sum(cut_off, axis=0)))) > STEP
    assert found.verdict == "word-length"
    assert found.causes == ()


def test_a_missing_double_and_a_level_are_told_as_equals() -> None:
    """Three microphones that hear the same spill, one of them not delivered."""
    parts = stems(4)
    parts[1] = 0.6 * parts[0] + 1e-6 * parts[1]
    (cause,) = outcome_of(total(parts) + 0.5 * parts[0], parts).causes
    assert {cause.file, *(other.file for other in cause.alternatives)} >= {"stem 1", None}
    assert "missing-stem" in {other.kind for other in cause.alternatives}


def test_a_section_that_was_moved_is_told_with_its_edges() -> None:
    parts = stems(4)
    mix = total(parts)
    moved = parts[2].copy()
    moved[:, 30_000:60_000] = parts[2][:, 29_750:59_750]
    (cause,) = outcome_of(mix, [parts[0], parts[1], moved, parts[3]]).causes
    assert (cause.kind, cause.file, cause.lag_samples) == ("moved", "stem 3", 250.0)
    assert (cause.start_sample, cause.end_sample) == (30_000, 60_000)


def test_two_stems_that_break_off_one_after_the_other_are_both_named() -> None:
    """The second is heard only by the residual's jump from one sample to the next."""
    parts = soft_stems(3)
    mix = total(parts)
    cut = [part.copy() for part in parts]
    cut[0][:, 50_100:] = 0.0
    cut[1][:, 70_050:] = 0.0
    causes = outcome_of(mix, cut).causes
    assert [(cause.kind, cause.file, cause.start_sample) for cause in causes] == [
        ("cut-short", "stem 1", 50_100),
        ("cut-short", "stem 2", 70_050),
    ]


def test_another_interpolator_does_not_hide_a_small_second_fault() -> None:
    """A windowed sinc of 65 taps (its design: J. F. Kaiser's window) against ours."""
    generator = np.random.default_rng(21)
    parts = soft_stems(4)
    mix = total(parts)
    taps = np.arange(-32, 33)
    kernel = np.sinc(taps - 0.37) * np.kaiser(65, 8.0)
    late = np.stack([np.convolve(channel, kernel, mode="same") for channel in parts[0]])
    louder = parts[2] * 10 ** (0.05 / 20)
    delivered = [quantised(each, 24, generator, dithered=True) for each in (late, louder)]
    causes = outcome_of(mix, [delivered[0], parts[1], delivered[1], parts[3]]).causes
    assert [(cause.kind, cause.file) for cause in causes] == [
        ("moved", "stem 1"),
        ("level", "stem 3"),
    ]
    assert causes[0].lag_samples == pytest.approx(0.37, abs=0.05)
    assert causes[1].gain_db == pytest.approx(0.05, abs=0.005)
