"""RIFX as libsndfile writes it, and an extensible format by hand."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
import soundfile

from stemprep.containers import read_blocks
from tests.containers.other_builder import codes
from tests.containers.riff_builder import faults_of, frames_read, header_of

TOLD = [("header", "byte-order", "warn", "rewrap")]


def written(subtype: str, values: np.ndarray) -> bytes:
    stream = io.BytesIO()
    soundfile.write(stream, values, 48_000, subtype, endian="BIG", format="WAV")
    return stream.getvalue()


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_16", 16), ("PCM_24", 24), ("PCM_32", 32)])
def test_integers_are_read_to_the_bit(subtype: str, bits: int) -> None:
    values = codes(bits, 1000)
    content = written(subtype, values)
    header = header_of(content)
    assert faults_of(content) == TOLD
    assert header.format is not None
    assert (header.format.container, header.format.bit_depth, header.frames) == ("RIFX", bits, 1000)
    blocks = list(read_blocks(io.BytesIO(content), header, lambda _: None))
    assert np.array_equal(np.concatenate([block.codes for block in blocks]), values)  # type: ignore[misc]


def test_floats_are_read() -> None:
    content = written("FLOAT", np.linspace(-1, 1, 500)[:, None])
    header = header_of(content)
    assert header.format is not None
    assert (header.format.encoding, frames_read(content)) == ("float", 500)


def test_an_extensible_format_is_read() -> None:
    guid = struct.pack(">IHH", 1, 0, 0x10) + bytes.fromhex("800000AA00389B71")
    fmt = struct.pack(">HHIIHHHHI", 0xFFFE, 3, 48_000, 432_000, 9, 24, 22, 20, 7) + guid
    body = b"WAVEfmt " + struct.pack(">I", len(fmt)) + fmt
    body += b"data" + struct.pack(">I", 90) + bytes(90)
    header = header_of(b"RIFX" + struct.pack(">I", len(body)) + body)
    assert header.format is not None
    form = header.format
    assert (form.channels, form.bit_depth, form.channel_mask, header.frames) == (3, 20, 7, 10)


def test_one_cut_short_is_told() -> None:
    content = written("PCM_24", codes(24, 1000))
    assert "truncated" in {fault[0] for fault in faults_of(content[:-100])}


def test_what_holds_no_sound_is_named() -> None:
    assert [fault[0] for fault in faults_of(b"RIFX\0\0\0\0AVI " + bytes(40))] == ["unreadable"]
