"""Run the planned operations of one output on streams of blocks; constant memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import AudioFormat
from stemprep.model.plan import Operation, OutputPlan
from stemprep.model.words import OperationName
from stemprep.prepare import window
from stemprep.prepare.channels import fold_mono, join, pick
from stemprep.prepare.convert_rate import convert_rate
from stemprep.prepare.edge_fade import edge_fade
from stemprep.prepare.gain import gain
from stemprep.prepare.remove_dc import remove_dc
from stemprep.prepare.stream import Planar, Source, Stream, open_stream, whole_number
from stemprep.prepare.word_length import dithered_blocks, exact_blocks, float_blocks

SOUND_OPERATIONS: Mapping[OperationName, Callable[[Stream, Operation], Stream]] = {
    "place": window.place,
    "trim": window.trim,
    "pad": window.pad,
    "convert-rate": convert_rate,
    "fold-mono": fold_mono,
    "remove-dc": remove_dc,
    "gain": gain,
    "edge-fade": edge_fade,
}
"""Operation -> what it does to a stream. The others act on bytes, names or channels alone."""


def render(output: OutputPlan, sources: Sequence[Source]) -> Iterator[SoundBlock]:
    """Yield the output's samples: its operations, in their order, on its sources' blocks.

    Every source is read to its end. Integer outputs carry codes, left-justified.
    Raises PrepareError when a source, an operation or a level does not fit the plan; levels and
    lengths show only while the blocks run.
    """
    if output.format is None:
        raise PrepareError(f"{output.path}: a file without format cannot be prepared")
    stream = _open(output, sources)
    for step in output.operations:
        operation = SOUND_OPERATIONS.get(step.name)
        stream = stream if operation is None else operation(stream, step)
    _compare(output, output.format, stream)
    yield from _words(output, output.format, stream)


def _open(output: OutputPlan, sources: Sequence[Source]) -> Stream:
    names = output.sources
    opened = [open_stream(name, source) for name, source in zip(names, sources, strict=True)]
    stream = join([_counted(stream) for stream in opened])
    return pick(stream, output.source_channels) if output.source_channels else stream


def _counted(stream: Stream) -> Stream:
    """Hold the stream to as many frames as its header promised."""
    return replace(stream, blocks=_counted_blocks(stream))


def _counted_blocks(stream: Stream) -> Iterator[Planar]:
    frames = 0
    for block in stream.blocks:
        frames += block.shape[1]
        if block.shape[1]:
            yield block
    if frames != stream.frames:
        raise PrepareError(
            f"{stream.name}: {stream.frames} samples per channel when it was checked, "
            f"{frames} now; deliver again once nothing writes to it"
        )


def _compare(output: OutputPlan, form: AudioFormat, stream: Stream) -> None:
    given = (stream.rate_hz, stream.channels, stream.frames)
    planned = (form.sample_rate_hz, form.channels, output.frames)
    if given != planned:
        raise PrepareError(
            f"{output.path}: the operations give {given} (rate, channels, samples), the plan "
            f"promises {planned}"
        )


def _words(output: OutputPlan, form: AudioFormat, stream: Stream) -> Iterator[SoundBlock]:
    if form.encoding == "float":
        return float_blocks(stream, form)
    steps = [step for step in output.operations if step.name == "convert-word-length"]
    if any(whole_number(step, "to_bits") != form.bit_depth for step in steps):
        raise PrepareError(f"{output.path}: planned word lengths contradict each other")
    if any(step.parameters.get("dither") == "tpdf" for step in steps):
        return dithered_blocks(stream, form)
    return exact_blocks(stream, form)
