"""Metadata as other people's readers see it (wavinfo, mutagen), on files that recorders made."""

from __future__ import annotations

from pathlib import Path

import mutagen.flac
import pytest

from stemprep.containers import read_header
from stemprep.model.header import Header
from tests.peers import PEERS, needs_peers

wavinfo = pytest.importorskip("wavinfo")

TAKES = sorted((PEERS / "recorder-takes").glob("*/*.WAV"))


def header_of(path: Path) -> Header:
    with path.open("rb") as stream:
        return read_header(stream, path.stat().st_size, path.name)


@needs_peers
@pytest.mark.parametrize("path", TAKES, ids=lambda path: path.name)
def test_bext_and_ixml_are_read_alike(path: Path) -> None:
    ours, theirs = header_of(path), wavinfo.WavInfoReader(path)
    assert ours.format is not None
    assert ours.frames == theirs.data.frame_count
    assert ours.format.sample_rate_hz == theirs.fmt.sample_rate
    if theirs.bext is not None:
        assert ours.bext is not None
        assert ours.bext.time_reference_samples == theirs.bext.time_reference
        assert ours.bext.origination_date == theirs.bext.originator_date
        assert ours.bext.origination_time == theirs.bext.originator_time
    if theirs.ixml is not None:
        assert ours.ixml is not None
        assert ours.ixml.take == theirs.ixml.take
        assert ours.ixml.scene == theirs.ixml.scene
        assert len(ours.ixml.tracks) == len(list(theirs.ixml.track_list))


@needs_peers
@pytest.mark.parametrize(
    "path", sorted((PEERS / "flac" / "subset").glob("*.flac")), ids=lambda path: path.stem[:20]
)
def test_flac_is_read_alike(path: Path) -> None:
    ours, theirs = header_of(path), mutagen.flac.FLAC(path)
    assert ours.format is not None
    form = ours.format
    assert (form.sample_rate_hz, form.channels, form.bit_depth) == (
        theirs.info.sample_rate,
        theirs.info.channels,
        theirs.info.bits_per_sample,
    )
    assert theirs.info.total_samples in (0, ours.frames)
