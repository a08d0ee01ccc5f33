"""What of a delivered file the package had added, by the steps in its manifest."""

from __future__ import annotations

import pytest

from stemprep.lineage.added_silence import added_silence, added_to_source, told_apart
from stemprep.lineage.records import DeliveredFile
from stemprep.model.plan import Operation, Parameter
from stemprep.model.reconciliation import AddedSilence, Region
from stemprep.model.words import OperationName

Step = tuple[OperationName, dict[str, Parameter]]
FRAMES = 1_000


def delivered(*steps: Step) -> DeliveredFile:
    return DeliveredFile(
        path="tracks/Bass.wav",
        role="track",
        song="",
        made_by_us=False,
        is_damaged=False,
        sources=(),
        source_channels=(),
        operations=tuple(
            Operation(name=name, parameters=given, reason="", evidence="") for name, given in steps
        ),
        sha256="",
        audio_sha256=None,
        size_bytes=0,
        facts={"frames": FRAMES},
    )


PLACED: Step = ("place", {"head_samples": 100})
PADDED: Step = ("pad", {"head_samples": 0, "tail_samples": 200})


@pytest.mark.parametrize(
    ("steps", "head", "tail"),
    [
        ([("copy", {})], 0, 0),
        ([("copy", {"added_head_samples": 7, "added_tail_samples": 9})], 7, 9),
        ([("copy", {"added_head_samples": -7, "added_tail_samples": True})], 0, 0),
        ([PLACED, PADDED], 100, 200),
        ([("pad", {"head_samples": 30, "tail_samples": 0}), PADDED], 30, 200),
        ([PLACED, ("place", {"head_samples": -40})], 60, 0),
        ([PLACED, ("place", {"head_samples": -140}), PADDED], 0, 200),
        ([PLACED, PADDED, ("trim", {"head_samples": 10, "tail_samples": 250})], 90, 0),
        ([("trim", {"head_samples": 500, "tail_samples": 500}), PLACED, PADDED], 100, 200),
        ([("convert-rate", {"from_hz": 44_100, "to_hz": 48_000}), PADDED], 0, 200),
        ([PADDED, ("convert-rate", {"from_hz": 44_100, "to_hz": 48_000})], 0, 0),
        ([("place", {"head_samples": "many"}), ("pad", {})], 0, 0),
        ([("place", {"head_samples": 5_000}), PADDED], FRAMES, 0),
    ],
)
def test_what_is_left_of_it_after_all_steps(steps: list[Step], head: int, tail: int) -> None:
    expected = AddedSilence(head_samples=head, tail_samples=tail)
    assert added_silence(delivered(*steps)) == expected


@pytest.mark.parametrize(
    ("steps", "frames", "is_padding_alone"),
    [
        ([PLACED, PADDED], 700, True),
        ([PLACED, PADDED], 701, False),
        ([PADDED], 800, True),
        ([PADDED, ("convert-word-length", {"to_bits": 24, "dither": "none"})], 800, True),
        ([PADDED, ("convert-word-length", {"to_bits": 16, "dither": "tpdf"})], 800, False),
        ([("gain", {"gain_db": -3.0}), PADDED], 800, False),
        ([("copy", {})], FRAMES, False),
    ],
)
def test_a_source_is_the_file_without_it_only_where_nothing_else_was_done(
    steps: list[Step], frames: int, is_padding_alone: bool
) -> None:
    assert (added_to_source(delivered(*steps), frames) is not None) == is_padding_alone


def test_what_was_cut_off_is_parted_at_the_recordings_ends() -> None:
    cut = (
        Region(start_sample=0, end_sample=150, kind="trimmed"),
        Region(start_sample=300, end_sample=400, kind="edited"),
        Region(start_sample=790, end_sample=FRAMES, kind="trimmed"),
    )
    added = AddedSilence(head_samples=100, tail_samples=200)
    told = [
        (part.start_sample, part.end_sample, part.kind, part.is_added_silence)
        for part in told_apart(cut, added, FRAMES)
    ]
    assert told == [
        (0, 100, "trimmed", True),
        (100, 150, "trimmed", False),
        (300, 400, "edited", False),
        (790, 800, "trimmed", False),
        (800, FRAMES, "trimmed", True),
    ]
