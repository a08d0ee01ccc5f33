"""WAV files of another reader's tests (ruuda/hound, Apache-2.0), by the samples that it states."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stemprep.containers import read_blocks, read_header
from stemprep.model.header import Header
from tests.peers import PEERS, needs_peers

WAV = PEERS / "wav"
FOUR = [2, -3, 5, -7]

EXPECTED: dict[str, tuple[int, int, int, list[float]]] = {
    "pcmwaveformat-16bit-44100Hz-mono": (44_100, 1, 16, FOUR),
    "waveformatex-16bit-44100Hz-mono": (44_100, 1, 16, FOUR),
    "pcmwaveformat-16bit-44100Hz-mono-extra": (44_100, 1, 16, [2]),
    "waveformatex-16bit-44100Hz-mono-extra": (44_100, 1, 16, [2]),
    "waveformatex-16bit-44100Hz-stereo": (44_100, 2, 16, [*FOUR, 11, -13, 17, -19]),
    "pcmwaveformat-8bit-44100Hz-mono": (44_100, 1, 8, [19, -53, 89, -127]),
    "waveformatex-8bit-11025Hz-mono": (11_025, 1, 8, [-128] * 4),
    "waveformatextensible-24bit-192kHz-mono": (
        192_000,
        1,
        24,
        [-17, 4_194_319, -6_291_437, 8_355_817],
    ),
    "waveformatextensible-32bit-48kHz-stereo": (
        48_000,
        2,
        32,
        [19, -229_373, 33_587_161, -2_147_483_497],
    ),
    "nonstandard-02": (48_000, 2, 32, [19, -229_373, 33_587_161, -2_147_483_497]),
    "waveformatex-ieeefloat-44100Hz-mono": (44_100, 1, 32, [2, 3, -16_411, 1_019]),
}
REFUSED = (
    "pcmwaveformat-24bit-4byte-48kHz-stereo",
    "waveformatextensible-24bit-4byte-48kHz-stereo",
)
"""24 bits in the lower part of 4 bytes, the highest one unused: the suite reads them so, libsndfile
as noise, the published layout has them in the upper part. We refuse in words; no claim is made."""


def read(path: Path) -> tuple[Header, np.ndarray]:
    """Header and interleaved samples: integers of the word length, floats as such."""
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, path.name)
        blocks = list(read_blocks(stream, header, lambda _: None))
    if not blocks:
        return header, np.empty(0)
    assert header.format is not None
    if blocks[0].codes is None:
        return header, np.concatenate([block.samples.T for block in blocks]).reshape(-1)
    codes = np.concatenate([block.codes for block in blocks if block.codes is not None])
    return header, codes.reshape(-1) >> (32 - header.format.container_bits)


@needs_peers
@pytest.mark.parametrize("name", EXPECTED)
def test_first_samples(name: str) -> None:
    rate_hz, channels, bits, samples = EXPECTED[name]
    header, found = read(WAV / f"{name}.wav")
    assert header.format is not None
    made = header.format
    assert (made.sample_rate_hz, made.channels, made.bit_depth) == (rate_hz, channels, bits)
    assert found[: len(samples)].tolist() == samples


@needs_peers
@pytest.mark.parametrize("name", REFUSED)
def test_words_whose_layout_is_in_doubt_are_refused_in_words(name: str) -> None:
    header, found = read(WAV / f"{name}.wav")
    assert {fault.code for fault in header.faults} == {"word-layout"}
    assert len(found) == 0


@needs_peers
@pytest.mark.parametrize(
    "path", sorted((WAV / "fuzz").glob("*.wav")), ids=lambda path: path.stem[:14]
)
def test_files_that_crashed_others_are_told_as_broken(path: Path) -> None:
    header, found = read(path)
    assert any(fault.severity == "fail" for fault in header.faults)
    assert len(found) == 0


@needs_peers
@pytest.mark.parametrize("path", sorted((PEERS / "recorder-takes").glob("*/*.WAV")), ids=str)
def test_recorders_takes_are_told_nothing_but_notes(path: Path) -> None:
    """Wavinfo's files, MIT: nothing is wrong in any of them."""
    header, found = read(path)
    assert {fault.severity for fault in header.faults} <= {"note"}
    assert len(found) > 0
