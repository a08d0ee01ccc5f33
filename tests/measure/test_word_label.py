"""32-bit words read as the wrong kind; numpy reinterprets the bits as a wrong header makes one."""

from __future__ import annotations

import numpy as np
import pytest

from stemprep.dsp.block import SoundBlock
from stemprep.measure import SoundMeter
from tests import signals
from tests.measure.feed import measure, wav_format
from tests.shipped import measure_settings
from tests.signals import Planar


def reads_as(block: SoundBlock, bits: int | None) -> str | None:
    meter = SoundMeter(wav_format(channels=len(block.samples), bits=bits), measure_settings())
    meter.add(block)
    return meter.finish().word.reads_as


def integers_as_floats(samples: Planar, bits: int) -> SoundBlock:
    codes = np.rint(samples * 2.0 ** (bits - 1)).astype(np.int64) << (32 - bits)
    with np.errstate(invalid="ignore"):
        return SoundBlock(codes.astype("<i4").view("<f4").astype(np.float64), None)


def integer_block(codes: np.ndarray) -> SoundBlock:
    return SoundBlock(codes * np.float64(2.0**-31), np.ascontiguousarray(codes.T))


SOUNDS = [
    pytest.param(signals.pluck(peak_dbfs=-0.1, seconds=1, channels=2), id="loud"),
    pytest.param(signals.pluck(peak_dbfs=-40, seconds=1), id="soft"),
    pytest.param(signals.noise(peak_dbfs=-70, seconds=1), id="hiss"),
    pytest.param(np.pad(signals.noise(peak_dbfs=-6, seconds=1), ((0, 0), (90_000, 0))), id="late"),
]


@pytest.mark.parametrize("samples", SOUNDS)
@pytest.mark.parametrize("bits", [24, 32])
def test_integers_called_floats(samples: Planar, bits: int) -> None:
    assert reads_as(integers_as_floats(samples, bits), None) == "integer"


@pytest.mark.parametrize("samples", SOUNDS)
def test_floats_called_integers(samples: Planar) -> None:
    block = integer_block(samples.astype("<f4").view("<i4"))
    assert reads_as(block, 32) == "float"


@pytest.mark.parametrize("samples", SOUNDS)
@pytest.mark.parametrize("bits", [32, None])
def test_words_that_are_what_they_are_called(samples: Planar, bits: int | None) -> None:
    assert measure(samples, bits=bits).word.reads_as is None


@pytest.mark.parametrize("level", [0.4, 0.45, 0.5, 0.51, 0.6, 1.0])
def test_square_waves_are_sound(level: float) -> None:
    square = level * np.sign(signals.sine(100, peak_dbfs=0, seconds=1, phase_degrees=1))
    assert measure(square, bits=32).word.reads_as is None
    assert measure(square, bits=None).word.reads_as is None


def test_hot_floats_denormal_tails_and_single_accidents_are_sound() -> None:
    samples = signals.pluck(peak_dbfs=60, seconds=1)
    samples[:, -10_000:] = 1e-40
    samples[:, 5] = np.nan
    samples[:, 6] = 1e30
    assert measure(samples, bits=None).word.reads_as is None


def test_too_few_samples_tell_nothing() -> None:
    samples = signals.noise(peak_dbfs=-6, seconds=0.01)
    assert reads_as(integers_as_floats(samples, 32), None) is None
    assert reads_as(integer_block(samples.astype("<f4").view("<i4")), 32) is None
