"""Sound made here is written as planned, with its start, and proven from the disk."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import AudioFormat, Bext
from stemprep.model.plan import OutputPlan
from stemprep.work.made import write_made
from tests.package.staged import staged
from tests.shipped import measure_settings

FORM = AudioFormat(
    container="WAV",
    encoding="float",
    sample_rate_hz=48_000,
    channels=2,
    bit_depth=32,
    container_bits=32,
)
OUTPUT = OutputPlan(
    sources=(),
    path="rough-mixes/Rough mix.wav",
    role="rough-mix",
    song="",
    operations=(),
    format=FORM,
    frames=480,
    bext=Bext(time_reference_samples=96_000),
    track_names=("Rough mix L", "Rough mix R"),
)


def _blocks(frames: int) -> Iterator[SoundBlock]:
    yield SoundBlock(samples=np.full((2, frames), 0.25), codes=None)


def test_a_made_file_holds_its_sound_and_its_start(tmp_path: Path) -> None:
    made = write_made(staged(tmp_path / "a.wav"), OUTPUT, _blocks(480), measure_settings())
    samples, rate_hz = soundfile.read(tmp_path / "a.wav")
    assert (rate_hz, samples.shape) == (48_000, (480, 2))
    assert np.all(samples == 0.25)
    assert made.made_by_us
    assert made.after.header.time_reference_samples == 96_000
    assert made.after.header.ixml is not None


def test_blocks_that_break_the_plan_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PrepareError, match="480"):
        write_made(staged(tmp_path / "a.wav"), OUTPUT, _blocks(479), measure_settings())


def test_a_file_that_is_not_as_planned_is_told(tmp_path: Path) -> None:
    other = dataclasses.replace(OUTPUT, format=dataclasses.replace(FORM, container="RF64"))
    with pytest.raises(PrepareError, match=r"Rough mix\.wav"):
        write_made(staged(tmp_path / "a.wav"), other, _blocks(480), measure_settings())
