"""Rate, gain, offset, fade and word length."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stemprep.errors import PrepareError
from tests import signals
from tests.prepare.rendering import (
    Planar,
    codes_of,
    dithered,
    form,
    output,
    rendered,
    source,
    step,
)

RATES = [
    (44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 96_000), (88_200, 44_100),
    (192_000, 44_100), (44_100, 192_000), (47_952, 48_000),
]  # fmt: skip


def converted(samples: Planar, from_hz: int, to_hz: int, frames: int, sizes=(4096,)) -> Planar:  # type: ignore[no-untyped-def]
    channels = samples.shape[0]
    plan = output(
        [step("convert-rate", from_hz=from_hz, to_hz=to_hz)],
        form(64, rate_hz=to_hz, channels=channels, is_float=True),
        frames,
    )
    float_form = form(64, rate_hz=from_hz, channels=channels, is_float=True)
    return rendered(plan, source(samples, float_form, sizes=sizes))[0]


@pytest.mark.parametrize(("from_hz", "to_hz"), RATES)
def test_converted_sine_is_aligned_and_true(from_hz: int, to_hz: int) -> None:
    """Better than 1/100 sample at 997 Hz and 7 kHz; residual far below 24 bits (costs.md 6)."""
    for frequency_hz in (997.0, 7000.0):
        tone = signals.sine(frequency_hz, peak_dbfs=-3, seconds=0.5, rate_hz=from_hz)
        frames = -(-tone.shape[1] * to_hz // from_hz)
        got = converted(tone, from_hz, to_hz, frames)[0]
        at = np.arange(frames)[frames // 4 : 3 * frames // 4]
        angle = 2 * np.pi * frequency_hz * at / to_hz
        basis = np.stack([np.sin(angle), np.cos(angle)], axis=1)
        (sine, cosine), *_ = np.linalg.lstsq(basis, got[at], rcond=None)
        delay_samples = -np.arctan2(cosine, sine) / (2 * np.pi * frequency_hz) * to_hz
        assert abs(delay_samples) < 1e-4
        assert np.hypot(sine, cosine) == pytest.approx(10 ** (-3 / 20), rel=1e-6)
        residual = got[at] - basis @ [sine, cosine]
        assert np.sqrt(np.mean(residual**2)) < 10 ** (-160 / 20)


@pytest.mark.parametrize(("from_hz", "to_hz"), [(44_100, 48_000), (96_000, 48_000)])
def test_converted_impulse_peaks_where_it_was(from_hz: int, to_hz: int) -> None:
    """The centre of gravity of a band-limited impulse, from its spectrum's phase."""
    samples = np.zeros((1, from_hz // 5))
    at = from_hz // 10
    samples[0, at] = 0.5
    frames = to_hz // 5
    got = converted(samples, from_hz, to_hz, frames)[0]
    spectrum = np.fft.rfft(got)
    band = np.arange(10, int(0.35 * frames * min(from_hz, to_hz) / to_hz))
    shift = spectrum[band] * np.exp(2j * np.pi * band * (at * to_hz / from_hz) / frames)
    delay_samples = -np.angle(shift) * frames / (2 * np.pi * band)
    assert np.abs(delay_samples).max() < 0.01


@pytest.mark.parametrize(
    ("frames", "from_hz", "to_hz", "expected"),
    [
        (44_100, 44_100, 48_000, 48_000),
        (44_102, 44_100, 48_000, 48_003),  # 48,002.177 rounded up: no sound is cut
        (96_000, 96_000, 48_000, 48_000),
        (48_000, 48_000, 44_100, 44_100),
        (1, 44_100, 48_000, 2),
        (1, 192_000, 44_100, 1),
        (5, 44_100, 48_000, 6),
        (147, 44_100, 48_000, 160),
        (65_536, 44_100, 48_000, 71_332),
        (131_072, 48_000, 44_100, 120_423),
    ],
)
def test_length_after_conversion(frames: int, from_hz: int, to_hz: int, expected: int) -> None:
    samples = signals.noise(peak_dbfs=-12, seconds=frames / 48_000)[:, :frames]
    assert converted(samples, from_hz, to_hz, expected).shape == (1, expected)


def test_channels_are_converted_alike() -> None:
    samples = np.tile(signals.noise(peak_dbfs=-6, seconds=0.1, rate_hz=44_100), (3, 1))
    got = converted(samples, 44_100, 48_000, 4800)
    assert np.array_equal(got[0], got[1])
    assert np.array_equal(got[0], got[2])


@settings(max_examples=30)
@given(sizes=st.lists(st.integers(40, 9000), min_size=1, max_size=5), silent=st.integers(0, 3000))
def test_result_does_not_depend_on_block_sizes(sizes: list[int], silent: int) -> None:
    samples = signals.pluck(peak_dbfs=-9, seconds=0.3, rate_hz=44_100, channels=2)
    samples[:, 4000 : 4000 + silent] = 0
    steps = dithered(
        24,
        step("remove-dc", offset_1=0.01, offset_2=-0.02),
        step("convert-rate", from_hz=44_100, to_hz=48_000),
        step("place", head_samples=37),
        step("gain", gain_db=-1.0),
        step("edge-fade", head_samples=200, tail_samples=99),
    )
    plan = output(steps, form(24, channels=2), 14_400 + 37)
    source_form = form(24, rate_hz=44_100, channels=2)
    _, once = rendered(plan, source(samples, source_form, sizes=(samples.shape[1],)))
    _, again = rendered(plan, source(samples, source_form, sizes=sizes))
    assert once is not None
    assert again is not None
    assert np.array_equal(once, again)


@pytest.mark.parametrize("bits", [16, 20, 24])
@pytest.mark.parametrize("peak_dbfs", [-1.0, -60.0])
def test_dither_has_the_moments_of_theory(bits: int, peak_dbfs: float) -> None:
    """TPDF total error: q/2 RMS, mean 0, peak 1.5 q, white, whatever the signal.

    Lipshitz, Wannamaker, Vanderkooy 1992; 16 bits: -96.33 dBFS, 24 bits: -144.49 dBFS.
    """
    tone = signals.sine(997, peak_dbfs=peak_dbfs, seconds=4)
    plan = output(dithered(bits, step("gain", gain_db=0.0)), form(bits), tone.shape[1])
    got, _ = rendered(plan, source(tone, form(64, is_float=True)))
    step_size = 2.0 ** (1 - bits)
    error = (got[0] - tone[0]) / step_size
    assert error.std() == pytest.approx(0.5, rel=0.01)
    assert abs(error.mean()) < 0.005
    assert np.abs(error).max() <= 1.5
    assert abs(np.corrcoef(error[1:], error[:-1])[0, 1]) < 0.01
    assert abs(np.corrcoef(error, tone[0])[0, 1]) < 0.01
    level_dbfs = 20 * np.log10(error.std() * step_size)
    expected_dbfs = {16: -96.33, 20: -120.41, 24: -144.49}[bits]
    assert level_dbfs == pytest.approx(expected_dbfs, abs=0.05)


def test_error_power_does_not_follow_the_signal() -> None:
    """Second moment constant over the position between two codes (noise modulation: none)."""
    ramp = np.linspace(10.0, 14.0, 400_000)[np.newaxis] * 2.0**-15
    plan = output(dithered(16), form(16), ramp.shape[1])
    got, _ = rendered(plan, source(ramp, form(64, is_float=True)))
    error = ((got - ramp) * 2.0**15).reshape(40, -1)
    assert np.abs(error.std(axis=1) - 0.5).max() < 0.02
    assert np.abs(error.mean(axis=1)).max() < 0.02


def test_dither_is_keyed_by_audio_channel_and_frame() -> None:
    samples = np.full((2, 5000), 0.1)
    plan = output(dithered(16), form(16, channels=2), 5000)
    wide = form(24, channels=2)
    first, _ = rendered(plan, source(samples, wide))
    again, _ = rendered(plan, source(samples, wide))
    other, _ = rendered(plan, source(samples, wide, audio_sha256="cd" * 32))
    assert np.array_equal(first, again)
    assert not np.array_equal(first[0], first[1])
    assert not np.array_equal(first, other)
    assert abs(np.corrcoef(first[0], first[1])[0, 1]) < 0.05
    assert len(np.unique(first[0])) == 3


@pytest.mark.parametrize("to_hz", [48_000, 44_100])
def test_digital_silence_stays_exact_zeros(to_hz: int) -> None:
    """Around and between notes, after gain and rate conversion too, and in one channel alone."""
    note = signals.pluck(peak_dbfs=-6, seconds=0.2, channels=2)
    samples = np.zeros((2, 96_000))
    samples[:, 24_000:33_600] = note
    samples[0, 60_000:69_600] = note[0]
    first = step("convert-rate", from_hz=48_000, to_hz=to_hz)
    before = (step("gain", gain_db=-0.5),) if to_hz == 48_000 else (first,)
    frames = 2 * to_hz
    plan = output(dithered(16, *before), form(16, rate_hz=to_hz, channels=2), frames)
    _, codes = rendered(plan, source(samples, form(24, channels=2)))
    assert codes is not None
    scale = to_hz / 48_000
    guard = 0 if to_hz == 48_000 else 600  # ring of the filter
    assert not codes[: int(24_000 * scale) - guard].any()
    assert not codes[int(33_600 * scale) + guard : int(60_000 * scale) - guard].any()
    assert not codes[int(33_600 * scale) + guard :, 1].any()
    assert not codes[int(69_600 * scale) + guard :].any()
    assert np.count_nonzero(codes[int(25_000 * scale) : int(32_000 * scale)]) > 6000


def test_wholly_silent_file_stays_silent() -> None:
    for frames in (1, 40, 5000):
        plan = output(dithered(16, step("gain", gain_db=-3.0)), form(16), frames)
        _, codes = rendered(plan, source(np.zeros((1, frames)), form(24)))
        assert codes is not None
        assert not codes.any()


def test_float_output_gets_no_dither() -> None:
    samples = signals.noise(peak_dbfs=6, seconds=0.1).astype(np.float32).astype(np.float64)
    plan = output([step("gain", gain_db=-6.0)], form(32, is_float=True), 4800)
    got, _ = rendered(plan, source(samples, form(32, is_float=True)))
    assert np.array_equal(got, (samples * 10 ** (-6 / 20)).astype(np.float32))


def test_widening_is_exact() -> None:
    samples = signals.noise(peak_dbfs=0, seconds=0.1)
    widen = step("convert-word-length", to_bits=24, dither="none")
    _, codes = rendered(output([widen], form(24), 4800), source(samples, form(16)))
    assert codes is not None
    assert np.array_equal(codes, codes_of(samples, 16))


def test_narrowing_without_dither_only_where_nothing_is_lost() -> None:
    narrow = step("convert-word-length", to_bits=16, dither="none")
    padded = codes_of(signals.noise(peak_dbfs=-6, seconds=0.1), 16).T / 2.0**31
    _, codes = rendered(output([narrow], form(16), 4800), source(padded, form(24)))
    assert codes is not None
    assert np.array_equal(codes, codes_of(padded, 16))
    full = signals.noise(peak_dbfs=-6, seconds=0.1)
    with pytest.raises(PrepareError, match="do not fit 16 bits exactly"):
        rendered(output([narrow], form(16), 4800), source(full, form(24)))


@pytest.mark.parametrize("gain_db", [-6.0206, -0.1, 3.0])
def test_one_gain_keeps_the_balance(gain_db: float) -> None:
    """Stems and mix under one gain still add up to within their own dither."""
    stems = [signals.noise(peak_dbfs=-20, seconds=1, seed=seed) for seed in (1, 2, 3)]
    stems = [codes_of(stem, 24).T / 2.0**31 for stem in stems]
    files = [*stems, sum(stems)]
    plan = output(dithered(24, step("gain", gain_db=gain_db)), form(24), 48_000)
    results = [
        rendered(plan, source(np.asarray(file), form(24), audio_sha256=f"{index:064x}"))[0]
        for index, file in enumerate(files)
    ]
    residual = results[0] + results[1] + results[2] - results[3]
    # standards.md section 6: four files with TPDF, q/2 sqrt(4), and a hard bound of 1.5 q each
    assert residual.std() == pytest.approx(2.0**-23, rel=0.02)
    assert np.abs(residual).max() <= 4 * 1.5 * 2.0**-23


def test_offset_is_removed_but_not_from_silence() -> None:
    samples = signals.sine(960, peak_dbfs=-20, seconds=1) + 0.01
    samples[:, 10_000:20_000] = 0
    samples[0, 30_000] = 0  # one zero inside sound is no silence
    plan = output([step("remove-dc", offset_1=0.01)], form(64, is_float=True), 48_000)
    got, _ = rendered(plan, source(samples, form(64, is_float=True)))
    assert not got[:, 10_000:20_000].any()
    assert got[0, 30_000] == -0.01
    assert abs(got[:, 20_000:30_000].mean()) < 1e-4


def test_edge_fade_is_short_and_rises_from_nothing() -> None:
    plan = output(
        [step("edge-fade", head_samples=240, tail_samples=100)], form(64, is_float=True), 4800
    )
    got, _ = rendered(plan, source(np.ones((1, 4800)), form(64, is_float=True)))
    assert got[0, 0] < 1e-4
    assert got[0, -1] < 1e-4
    assert np.all(np.diff(got[0, :240]) > 0)
    assert np.all(np.diff(got[0, -100:]) < 0)
    assert np.all(got[0, 240:-100] == 1)


@pytest.mark.parametrize(
    ("value", "words"),
    [(1.2, r"\+1\.58 dBFS"), (-1.0001, "dBFS"), (np.nan, "not a number"), (np.inf, "not a number")],
)
@pytest.mark.parametrize("dither", ["tpdf", "none"])
def test_nothing_is_clipped_silently(value: float, words: str, dither: str) -> None:
    samples = np.zeros((2, 9000))
    samples[1, 4567] = value
    steps = [step("convert-word-length", to_bits=24, dither=dither)]
    if dither == "none" and np.isfinite(value):
        steps.insert(0, step("rewrap"))
        samples[1, 4567] = np.rint(value * 2.0**23) * 2.0**-23
    plan = output(steps, form(24, channels=2), 9000)
    with pytest.raises(PrepareError) as caught:
        rendered(plan, source(samples, form(64, channels=2, is_float=True)))
    if dither == "tpdf" or np.isfinite(value):
        assert caught.match(r"a\.wav: channel 2, sample 4567")
        assert caught.match(words)


def test_dither_at_full_scale_stays_within_the_word() -> None:
    samples = np.tile([1 - 2.0**-23, -1.0], (1, 4000))
    got, codes = rendered(output(dithered(16), form(16), 8000), source(samples, form(24)))
    assert codes is not None
    assert got.max() == 1 - 2.0**-15
    assert got.min() == -1.0
