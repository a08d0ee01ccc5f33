"""Write sound that is made here (click, rough mix), read it back from the disk and measure it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

from stemprep.containers import made_metadata, write_blocks
from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.facts import FileFacts, MeasureSettings
from stemprep.model.package import WrittenFile
from stemprep.model.plan import OutputPlan
from stemprep.package import StagedFile, told_as_delivery_error
from stemprep.work.write import read_back, refuse_what_others_cannot_read, write_new


def write_made(
    target: StagedFile, output: OutputPlan, blocks: Iterator[SoundBlock], settings: MeasureSettings
) -> WrittenFile:
    """Write blocks as planned and prove them: format, number of samples, bytes on the disk.

    target: a file that is not there yet. Raises DeliveryError when the disk
    refuses or gives back other bytes, PrepareError when the blocks are not what the plan promises.
    """
    return prove_made(target, output, fill_made(target, output, blocks), settings)


def fill_made(target: StagedFile, output: OutputPlan, blocks: Iterator[SoundBlock]) -> str:
    """Write the file alone and give its sha256; see ``write_made``."""
    form = output.format
    assert form is not None, "what is made here has a format"

    def fill(sink: BinaryIO) -> None:
        write_blocks(sink, form, blocks, made_metadata(output), output.frames)

    with told_as_delivery_error("writing", output.path):
        return write_new(target, fill)


def prove_made(
    target: StagedFile, output: OutputPlan, sha256: str, settings: MeasureSettings
) -> WrittenFile:
    """Measure a file that ``fill_made`` wrote; see ``write_made``."""
    with told_as_delivery_error("reading back", output.path):
        after, sha512 = read_back(target, output.path, settings, sha256)
    _compare(output, after)
    refuse_what_others_cannot_read(output.path, after)
    return WrittenFile(
        plan=output,
        staged=target.path,
        sha256=sha256,
        sha512=sha512,
        size_bytes=after.size_bytes,
        before=(),
        after=after,
        made_by_us=True,
    )


def _compare(output: OutputPlan, after: FileFacts) -> None:
    if after.format != output.format or after.header.frames != output.frames:
        raise PrepareError(
            f"{output.path}: planned {output.frames} samples of {output.format}, wrote "
            f"{after.header.frames} of {after.format}; "
            "this is a fault of stemprep, please report it"
        )
