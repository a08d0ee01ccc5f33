"""The last step: samples become words of the planned length.

A computed result gets TPDF dither of 2 LSB peak to peak before rounding, so that the first two
moments of the error do not depend on the signal (Lipshitz, Wannamaker and Vanderkooy, Quantization
and Dither: A Theoretical Survey, JAES 40, 1992). Digital silence stays exact zeros. What fits the
word exactly is stored as it is.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from stemprep.dsp.block import SoundBlock
from stemprep.errors import PrepareError
from stemprep.model.header import AudioFormat
from stemprep.prepare.silence import Mask, with_silence
from stemprep.prepare.stream import Planar, Stream
from stemprep.units import clock_from_samples, db_from_ratio, quantising_step

_SILENCE_STEPS = 2.0**-16  # a filter's ring this far below one step is silence
_WORDS_PER_COUNT = 4  # Philox 4x64 gives four words for each count


def float_blocks(stream: Stream, form: AudioFormat) -> Iterator[SoundBlock]:
    """Blocks of a float file; 32-bit values are rounded to what the file will hold."""
    for block in stream.blocks:
        rounded = block.astype(np.float32).astype(np.float64) if form.bit_depth == 32 else block
        yield SoundBlock(samples=rounded, codes=None)


def exact_blocks(stream: Stream, form: AudioFormat) -> Iterator[SoundBlock]:
    """Blocks of an integer file whose samples all fit its word; PrepareError where one does not."""
    steps = 2.0 ** (form.bit_depth - 1)
    position = 0
    for block in stream.blocks:
        scaled = block * steps
        words = np.rint(scaled)
        if not np.array_equal(words, scaled):
            raise PrepareError(
                f"{stream.name}: holds samples that do not fit {form.bit_depth} bits exactly, "
                "and the plan has no dither for them"
            )
        _refuse_over(stream, block, form, position)
        yield _block(np.minimum(words, steps - 1), form)
        position += block.shape[1]


def dithered_blocks(stream: Stream, form: AudioFormat) -> Iterator[SoundBlock]:
    """Blocks of an integer file from computed samples: TPDF dither, once, last."""
    step = quantising_step(form.bit_depth)
    highest = 2.0 ** (form.bit_depth - 1)
    noises = [Dither(*origin) for origin in stream.origins]
    position = 0
    marked = with_silence(stream.blocks, stream.channels, step * _SILENCE_STEPS)
    for block, is_silent in marked:
        _refuse_over(stream, block, form, position)
        noise = np.stack([dither.steps(position, block.shape[1]) for dither in noises])
        # Dither may lift a sample at full scale by one step; that step is not sound.
        words = np.clip(np.rint(block / step + noise), -highest, highest - 1)
        yield _block(_silenced(words, is_silent), form)
        position += block.shape[1]


class Dither:
    """Triangular noise of one channel, a function of the audio's hash, channel and frame alone."""

    def __init__(self, audio_sha256: str, channel: int) -> None:
        """Key the generator by the hash and the channel from 1."""
        text = f"stemprep-dither-1 {audio_sha256} {channel}\n"
        digest = hashlib.sha256(text.encode("ascii")).digest()
        self._key = int.from_bytes(digest[:16], "little")

    def steps(self, first_frame: int, frames: int) -> npt.NDArray[np.float64]:
        """Noise for ``frames`` frames, in steps, between -1 and 1."""
        skipped = first_frame % _WORDS_PER_COUNT
        generator = np.random.Philox(key=self._key, counter=first_frame // _WORDS_PER_COUNT)
        words = generator.random_raw(skipped + frames)[skipped:]
        low = (words & np.uint64(0xFFFF_FFFF)).astype(np.float64)
        high = (words >> np.uint64(32)).astype(np.float64)
        return np.asarray((low - high) * 2.0**-32)


def _silenced(words: Planar, is_silent: Mask) -> Planar:
    return np.where(is_silent, 0.0, words) if is_silent.any() else words


def _refuse_over(stream: Stream, block: Planar, form: AudioFormat, position: int) -> None:
    """Raise PrepareError for the first sample over full scale.

    Full scale itself passes: +1.0 has no word in two's complement and takes the highest one.
    """
    is_over = ~(np.abs(block) <= 1.0)  # true for NaN as well
    if not is_over.any():
        return
    channel, sample = (int(at[0]) for at in np.nonzero(is_over))
    where = (
        f"channel {channel + 1}, sample {position + sample} "
        f"({clock_from_samples(position + sample, stream.rate_hz)})"
    )
    value = float(block[channel, sample])
    if not np.isfinite(value):
        raise PrepareError(
            f"{stream.name}: {where} is not a number and cannot become {form.bit_depth} bits; "
            "export the file again"
        )
    raise PrepareError(
        f"{stream.name}: {where} reaches {db_from_ratio(abs(value)):+.2f} dBFS; a "
        f"{form.bit_depth}-bit file ends at full scale and nothing is clipped silently; order a "
        "lower gain for the song in the session sheet, or keep its files in float"
    )


def _block(words: Planar, form: AudioFormat) -> SoundBlock:
    samples = words * quantising_step(form.bit_depth)
    codes = words.astype(np.int64) << (32 - form.bit_depth)
    return SoundBlock(
        samples=samples.astype(np.float32) if form.bit_depth <= 24 else samples,
        codes=np.ascontiguousarray(codes.T.astype(np.int32)),
    )
