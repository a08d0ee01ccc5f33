"""A mix does not depend on block sizes, on how many files are open, or on who writes first."""

from __future__ import annotations

import resource
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.containers import read_header
from stemprep.errors import DeliveryError
from stemprep.model.header import AudioFormat
from stemprep.model.plan import Operation, OutputPlan
from stemprep.model.rough_mix import MixPart
from stemprep.work import mix
from stemprep.work.mix import MixJob, MixOutput, MixSource, make_mixes
from tests import signals
from tests.package.staged import staged
from tests.shipped import measure_settings

FRAMES = 30_000
FORM = AudioFormat(
    container="WAV",
    encoding="integer",
    sample_rate_hz=48_000,
    channels=2,
    bit_depth=24,
    container_bits=24,
)


def _source(folder: Path, number: int, *, start: int = 0, level_db: float = -6.0) -> MixSource:
    path = folder / f"{number:03d}.wav"
    sound = signals.pluck(peak_dbfs=-20, seconds=0.5, channels=1 + number % 2, seed=number)
    signals.write_wav(path, sound)
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, path.name)
    return MixSource(
        part=MixPart(
            path=path.name,
            channels=1 + number % 2,
            level_db=level_db,
            pan=10.0 * number - 50,
            player="odd" if number % 2 else "even",
        ),
        file=staged(path),
        header=header,
        audio_sha256=str(number),
        start_samples=start,
    )


def _job(
    folder: Path, out: Path, sources: tuple[MixSource, ...], form: AudioFormat = FORM
) -> MixJob:
    out.mkdir()
    steps = (Operation(name="sum"), Operation(name="convert-word-length"))

    def output(name: str) -> OutputPlan:
        return OutputPlan(
            sources=(),
            path=name,
            role="rough-mix",
            song="",
            operations=steps,
            format=form,
            frames=FRAMES,
        )

    return MixJob(
        sources=sources,
        outputs=(
            MixOutput(output=output("all.wav"), target=staged(out / "all.wav")),
            MixOutput(
                output=output("no odd.wav"), target=staged(out / "no odd.wav"), without="odd"
            ),
        ),
        settings=measure_settings(),
    )


def _bytes_of(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in sorted(folder.iterdir())]


def test_blocks_of_any_size_give_the_same_mix(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "in").mkdir()
    sources = tuple(_source(tmp_path / "in", number, start=1000 * number) for number in range(5))
    make_mixes(_job(tmp_path / "in", tmp_path / "one", sources))
    monkeypatch.setattr(mix, "_HELD_FRAMES", 5 * 1500)
    make_mixes(_job(tmp_path / "in", tmp_path / "two", sources))
    assert _bytes_of(tmp_path / "one") == _bytes_of(tmp_path / "two")


def test_a_float_mix_is_the_sum_within_float32(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    sources = tuple(_source(tmp_path / "in", number) for number in (0, 2))
    form = AudioFormat(
        container="WAV",
        encoding="float",
        sample_rate_hz=48_000,
        channels=2,
        bit_depth=32,
        container_bits=32,
    )
    made = make_mixes(_job(tmp_path / "in", tmp_path / "out", sources, form))
    (gain,) = [step for step in made[0].plan.operations if step.name == "gain"]
    total = np.zeros((2, FRAMES))
    for source in sources:
        sound, _ = soundfile.read(tmp_path / "in" / source.part.path)
        angle = ((source.part.pan or 0) / 100 + 1) * np.pi / 4
        part = 10**-0.3 * sound * np.array([[np.cos(angle)], [np.sin(angle)]])
        total[:, : part.shape[1]] += part
    gain_db = gain.parameters["gain_db"]
    assert isinstance(gain_db, float)
    written, _ = soundfile.read(tmp_path / "out" / "all.wav")
    assert np.abs(written.T - total * 10 ** (gain_db / 20)).max() < 2.0**-23


def test_more_files_than_may_be_open_at_first(tmp_path: Path) -> None:
    """A shell's usual limit of open files is far below what a large session needs."""
    (tmp_path / "in").mkdir()
    sources = tuple(_source(tmp_path / "in", number) for number in range(80))
    job = _job(tmp_path / "in", tmp_path / "out", sources)
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (64, hard))
        made = make_mixes(job)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    assert [file.plan.path for file in made] == ["all.wav", "no odd.wav"]


def test_a_part_that_went_away_is_told(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    sources = tuple(_source(tmp_path / "in", number) for number in range(2))
    (tmp_path / "in" / "001.wav").unlink()
    with pytest.raises(DeliveryError, match=r"001\.wav: was written and cannot be read again"):
        make_mixes(_job(tmp_path / "in", tmp_path / "out", sources))
