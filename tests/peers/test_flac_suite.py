"""The FLAC decoder testbench (ietf-wg-cellar/flac-test-files, CC0): decoded to the MD5, or refused.

Its README: subset files are decoded or rejected before playback; uncommon ones that are not decoded
are detected and told; faulty ones never crash or hang a decoder.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from stemprep.containers import DecodingFault, read_blocks, read_header
from stemprep.model.header import HeaderFault
from tests.peers import PEERS, needs_peers

FLAC = PEERS / "flac"

SUBSET_DEVIATIONS = {
    "45 - no total number of samples set": "size-placeholder",
}
"""Not read without a word, with the reason. No length: legal in a stream, and a file
whose end nobody can prove; a warning, all of it is decoded."""

UNCOMMON = {
    "01 - changing samplerate": "frame-format",
    "02 - increasing number of channels": "frame-format",
    "03 - decreasing number of channels": "frame-format",
    "04 - changing bitdepth": "frame-format",
    "07 - 15 bit per sample": "",
    "08 - blocksize 65535": "",
    "09 - Rice partition order 15": "",
    "10 - file starting at frame header": "unknown-content",
    "11 - file starting with unparsable data": "unknown-content",
}
FAULTY = {
    "01 - wrong max blocksize": "block-size",
    "02 - wrong maximum framesize": "",  # a bound that decoders need not believe; sound by its MD5
    "03 - wrong bit depth": "frame-format",
    "04 - wrong number of channels": "frame-format",
    "05 - wrong total number of samples": "sound-behind-length",
    "06 - missing streaminfo metadata block": "streaminfo",
    "07 - other metadata blocks preceding streaminfo metadata block": "chunk-order",
    "08 - blocksize 65536": "block-size",
    "09 - blocksize 1": "block-size",
    "10 - invalid vorbis comment metadata block": "",  # comments are read as far as they go
    "11 - incorrect metadata block length": "block-size",
}


def files(group: str) -> list[Path]:
    return sorted((FLAC / group).glob("*.flac"))


def read(path: Path) -> tuple[int, int, list[HeaderFault]]:
    """Frames decoded, frames promised, all faults."""
    with path.open("rb") as stream:
        header = read_header(stream, path.stat().st_size, path.name)
        told, frames = list(header.faults), 0
        try:
            for block in read_blocks(stream, header, lambda _: None):
                frames += block.frames
        except DecodingFault as stop:
            told.append(stop.fault)
    return frames, header.frames, told


@needs_peers
@pytest.mark.parametrize("path", files("subset"), ids=lambda path: path.stem)
def test_subset_files_decode_to_their_sum(path: Path) -> None:
    frames, promised, told = read(path)
    expected = SUBSET_DEVIATIONS.get(path.stem)
    assert {fault.code for fault in told} == ({expected} if expected else set())
    assert frames == promised
    assert frames > 0


@needs_peers
@pytest.mark.parametrize(
    ("group", "name", "code"),
    [("uncommon", *each) for each in UNCOMMON.items()]
    + [("faulty", *each) for each in FAULTY.items()],
)
def test_others_are_decoded_to_their_sum_or_told(group: str, name: str, code: str) -> None:
    frames, promised, told = read(FLAC / group / f"{name}.flac")
    if code:
        assert code in {fault.code for fault in told}
    else:
        assert (frames, told) == (promised, [])


@needs_peers
def test_every_file_of_the_suite_is_looked_at() -> None:
    assert {path.stem for path in files("uncommon")} == set(UNCOMMON)
    assert {path.stem for path in files("faulty")} == set(FAULTY)
    assert len(files("subset")) == 42
