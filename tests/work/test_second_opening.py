"""Every file is opened once more by a reader that is not ours, and both must agree."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest

from stemprep.errors import PrepareError
from stemprep.model.facts import FileFacts
from stemprep.model.header import HeaderFault
from stemprep.model.plan import Operation, OutputPlan
from stemprep.work import second_opening
from stemprep.work.measure import MeasureJob, measure_file
from stemprep.work.write import SourceRef, WriteJob, write_output
from tests.containers.other_builder import codes, library_file
from tests.containers.riff_builder import chunk, extensible, fmt, riff, sound
from tests.containers.test_flac_contradictions import with_packed
from tests.package.staged import staged
from tests.shipped import measure_settings

FRAMES = 4800
STEREO = fmt(channels=2)
DATA = chunk(b"data", sound(FRAMES, channels=2))


def measured(folder: Path, content: bytes, name: str = "take.wav") -> FileFacts:
    (folder / name).write_bytes(content)
    return measure_file(
        MeasureJob(
            root=str(folder), raw_path=os.fsencode(name), name=name, settings=measure_settings()
        )
    )


def second_opinion(facts: FileFacts) -> HeaderFault | None:
    codes = {"closed-to-others", "read-otherwise"}
    return next((fault for fault in facts.header.faults if fault.code in codes), None)


def big(magic: bytes) -> bytes:
    ds64 = chunk(b"ds64", struct.pack("<QQQI", 4 + 36 + 24 + len(DATA), len(DATA) - 8, FRAMES, 0))
    data = DATA[:4] + b"\xff\xff\xff\xff" + DATA[8:]
    return riff(ds64, STEREO, data, magic=magic, size=2**32 - 1)


PROPER = {
    "plain": riff(STEREO, DATA),
    "extensible": riff(extensible(valid=20, mask=3, channels=2, bits=24), DATA),
    "8 bits": riff(fmt(bits=8), chunk(b"data", sound(FRAMES, bits=8))),
    "20 bits": riff(fmt(channels=2, bits=20), DATA),
    "32 bits": riff(fmt(bits=32), chunk(b"data", sound(FRAMES, bits=32))),
    "odd": riff(fmt(), chunk(b"data", sound(FRAMES + 1))),
    "floats over full scale": riff(
        fmt(tag=3, bits=32), chunk(b"data", np.linspace(-4, 4, FRAMES, dtype="<f4").tobytes())
    ),
    "not a number": riff(
        fmt(tag=3, bits=32), chunk(b"data", np.full(FRAMES, np.nan, "<f4").tobytes())
    ),
    "doubles": riff(
        fmt(tag=3, bits=64), chunk(b"data", np.linspace(-1, 1, FRAMES, dtype="<f8").tobytes())
    ),
    "rf64": big(b"RF64"),
    "bw64": big(b"BW64"),
    "wrong outer size": riff(STEREO, DATA, size=36),
    "one sample": riff(fmt(), chunk(b"data", b"abc")),
    "many channels": riff(fmt(channels=64), chunk(b"data", sound(480, channels=64))),
    **{
        f"{kind} {subtype}": library_file(kind, subtype, codes(16))
        for kind, subtype in (
            ("AIFF", "PCM_24"),
            ("AIFF", "PCM_S8"),
            ("AIFF", "FLOAT"),
            ("CAF", "PCM_24"),
            ("CAF", "DOUBLE"),
            ("W64", "PCM_16"),
            ("W64", "FLOAT"),
            ("FLAC", "PCM_16"),
            ("FLAC", "PCM_24"),
            ("RF64", "PCM_24"),
        )
    },
}


@pytest.mark.parametrize("content", PROPER.values(), ids=PROPER.keys())
def test_what_everybody_can_open_is_told_nothing(content: bytes, tmp_path: Path) -> None:
    facts = measured(tmp_path, content, "take")
    assert facts.sound is not None
    assert second_opinion(facts) is None


ONLY_OURS = {
    "sound before fmt": riff(DATA, STEREO),
    "the same fmt twice": riff(STEREO, STEREO, DATA),
    "no pad byte": riff(STEREO, chunk(b"JUNK", b"abc", pad=False), DATA),
    "a chunk's size is wrong": riff(chunk(b"JUNK", bytes(28), size=5_000_000), STEREO, DATA),
    "an empty second sound": riff(STEREO, DATA, chunk(b"data", b"")),
    "never closed": riff(STEREO, DATA[:4] + bytes(4) + DATA[8:], size=0),
}
"""Each read by libsndfile 1.2 as nothing, as empty, or not at all; found by trying."""


@pytest.mark.parametrize("content", ONLY_OURS.values(), ids=ONLY_OURS.keys())
def test_what_only_our_reader_can_open_is_a_fail_with_a_copy_as_its_cure(
    content: bytes, tmp_path: Path
) -> None:
    facts = measured(tmp_path, content)
    assert facts.header.frames == FRAMES
    told = second_opinion(facts)
    assert told is not None
    assert (told.check, told.severity, told.repair) == ("header", "fail", "copy-audio")
    assert "libsndfile" in told.message


def test_a_file_that_is_broken_anyway_is_not_opened_again(tmp_path: Path) -> None:
    facts = measured(tmp_path, riff(STEREO, DATA)[:-600])
    assert {fault.check for fault in facts.header.faults} == {"truncated"}


def output(*operations: str, frames: int = FRAMES, facts: FileFacts) -> OutputPlan:
    return OutputPlan(
        sources=("take.wav",),
        path="take.wav",
        role="stem",
        song="",
        operations=tuple(Operation(name=name) for name in operations),  # type: ignore[arg-type]
        format=facts.format,
        frames=frames,
    )


def written(folder: Path, content: bytes, operation: str) -> FileFacts:
    facts = measured(folder, content)
    job = WriteJob(
        root=str(folder),
        output=output(operation, facts=facts),
        sources=(SourceRef(path="take.wav", raw_path=b"take.wav", facts=facts),),
        target=staged(folder / "written.wav"),
        settings=measure_settings(),
    )
    return write_output(job).after


@pytest.mark.parametrize("content", ONLY_OURS.values(), ids=ONLY_OURS.keys())
def test_the_rewritten_copy_opens_everywhere(content: bytes, tmp_path: Path) -> None:
    assert second_opinion(written(tmp_path, content, "copy-audio")) is None


def test_a_copy_of_it_is_told_again_where_it_is_written(tmp_path: Path) -> None:
    told = second_opinion(written(tmp_path, riff(STEREO, STEREO, DATA), "copy"))
    assert told is not None
    assert told.severity == "fail"


def test_a_stream_that_states_no_length_is_read_to_its_end_by_both(tmp_path: Path) -> None:
    """RFC 9639, 8.2: a number of samples of 0 means that it is not known."""
    content = with_packed(library_file("FLAC", "PCM_16", codes(16, 48_000)), 0, 36, 0)
    facts = measured(tmp_path, content)
    assert {fault.code for fault in facts.header.faults} == {"size-placeholder", "extension"}
    assert second_opinion(written(tmp_path, content, "copy")) is None


def off_by_one(values: np.ndarray) -> np.ndarray:
    changed = values.copy()
    changed[len(changed) // 2, 0] ^= 1 << 8
    return changed


def test_one_bit_in_the_middle_that_another_reader_has_otherwise_stops_what_we_wrote(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole sound is held against the other reading where it is delivered."""
    content = riff(STEREO, DATA)
    true_blocks = second_opening.OtherReader.blocks
    monkeypatch.setattr(
        second_opening.OtherReader,
        "blocks",
        lambda self: map(off_by_one, true_blocks(self)),
    )
    told = second_opinion(written(tmp_path, content, "copy"))
    assert told is not None
    assert (told.code, told.repair) == ("read-otherwise", None)
    (tmp_path / "written.wav").unlink()
    with pytest.raises(PrepareError, match="another reader"):
        written(tmp_path, content, "copy-audio")


def test_bytes_behind_the_sound_do_not_close_a_file_to_others(tmp_path: Path) -> None:
    content = library_file("FLAC", "PCM_16", codes(16, 48_000)) + bytes(range(1, 256))
    assert second_opinion(written(tmp_path, content, "copy")) is None
