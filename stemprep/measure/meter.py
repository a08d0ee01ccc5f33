"""Everything that one streaming pass over a file's samples yields."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from stemprep.dsp.block import Samples, SoundBlock
from stemprep.dsp.cells import Chunk, Reblocker, chunk_frames
from stemprep.dsp.differences import CellDifferences
from stemprep.dsp.interpolation import interpolator
from stemprep.measure.bandwidth import Bandwidth
from stemprep.measure.clipping import Clipping
from stemprep.measure.codec_traces import CodecTraces
from stemprep.measure.hum import Hum
from stemprep.measure.loudness import Loudness
from stemprep.measure.low_band import LowBand
from stemprep.measure.low_sides import LowSides
from stemprep.measure.noise_floor import NoiseFloor
from stemprep.measure.non_finite import FiniteGate
from stemprep.measure.offset import Offset
from stemprep.measure.outline import Outline
from stemprep.measure.pauses import pause_facts
from stemprep.measure.peaks import Peaks
from stemprep.measure.power import Power
from stemprep.measure.silence import Silence
from stemprep.measure.stereo import Stereo
from stemprep.measure.transients import Transients
from stemprep.measure.true_peak import TruePeak
from stemprep.measure.word import AudioWords
from stemprep.model.facts import LevelFacts, MeasureSettings, Sound, StereoFacts
from stemprep.model.header import AudioFormat
from stemprep.units import (
    db_from_power,
    db_from_ratio,
    quantising_step,
    samples_from_seconds,
)

# Float sound is looked at in words of 32 bits, integers in those that are stored.
WIDEST_BITS = 32
WAVEFORM_COLUMNS = 4_000  # 75 ms each in a song of 5 minutes; 11 kB a channel in a page
FLOAT_STEP = 2.0**-23  # the last bit of a float32 sample between 0.5 and 1


class _Accumulator(Protocol):
    def add(self, chunk: Chunk) -> None: ...


class SoundMeter:
    """Measures a file block by block in constant memory.

    Facts depend on the samples alone: blocks of any size, in file order, give the same ones.
    Arithmetic is in the precision of the blocks, float32 for integers up to 24 bits.
    """

    def __init__(self, format: AudioFormat, settings: MeasureSettings) -> None:  # noqa: A002
        self._format = format
        self._settings = settings
        self._chunks = Reblocker(chunk_frames(format.channels))
        self._gate = FiniteGate()
        is_integer = format.encoding == "integer"
        self._words = AudioWords(
            format.channels, format.container_bits if is_integer else WIDEST_BITS
        )
        self._outline = Outline(format.channels)
        self._peaks = Peaks(format.channels)
        self._power = Power(format.channels)
        self._stereo = Stereo(format.sample_rate_hz) if format.channels == 2 else None
        self._offset = Offset(format.sample_rate_hz, format.channels)
        self._bandwidth = Bandwidth(format.sample_rate_hz)
        self._codec_traces = CodecTraces(format.sample_rate_hz)
        self._noise_floor = NoiseFloor(format.sample_rate_hz, format.channels)
        self._hum = Hum(format.sample_rate_hz, format.channels)
        self._low_sides = LowSides() if format.channels == 2 else None
        sides = () if self._low_sides is None else (self._low_sides,)
        self._low_band = LowBand(format.sample_rate_hz, self._offset, self._hum, *sides)
        self._silence = Silence(
            settings.silence_peak_dbfs,
            samples_from_seconds(settings.min_silent_stretch_s, format.sample_rate_hz),
            settings.edge_silence_dbfs,
        )
        self._differences = CellDifferences()
        self._transients = Transients(format.channels, format.sample_rate_hz, self._differences)
        self._frames = 0
        self._bit_depth: int | None = None
        self._late: tuple[TruePeak, Loudness, Clipping] | None = None

    def add(self, block: SoundBlock) -> None:
        """Measure the next block; an empty one changes nothing."""
        if not block.frames:
            return
        if block.codes is not None:
            self._bit_depth = self._format.bit_depth
            self._words.add_codes(block.codes)
            if self._bit_depth == WIDEST_BITS:
                self._gate.label.add_codes(block.codes)
            self._measure(block.samples)
            return
        step = chunk_frames(self._format.channels)
        for start in range(0, block.frames, step):
            part = np.asarray(block.samples[:, start : start + step], dtype=np.float64)
            self._words.add_floats(part)
            self._measure(self._gate.through(part))

    def finish(self) -> Sound:
        """The facts over everything added; call once."""
        for chunk in self._chunks.flush():
            self._add_chunk(chunk)
        true_peak, loudness, clipping = self._typed(np.float32)
        self._low_band.finish()
        word = replace(self._words.facts(), reads_as=self._gate.label.reads_as())
        bits = word.effective_bit_depth
        step = quantising_step(bits) if bits else FLOAT_STEP
        return Sound(
            frames=self._frames,
            audio_sha256=self._words.hexdigest(),
            level=self._level(true_peak, clipping),
            loudness=loudness.facts(self._frames),
            clipping=clipping.facts(self._frames, step),
            silence=self._silence.facts(self._frames),
            stereo=self._stereo_facts(),
            word=word,
            non_finite=self._gate.facts(),
            overview=self._outline.overview(self._settings.overview_columns),
            waveform=self._outline.waveform(WAVEFORM_COLUMNS),
            transients=self._transients.facts(),
            pauses=pause_facts(self._noise_floor, self._hum),
            bandwidth=self._bandwidth.facts(),
            codec_trace=self._codec_traces.facts(step),
        )

    def _stereo_facts(self) -> StereoFacts | None:
        if self._stereo is None or self._low_sides is None:
            return None
        low = self._low_sides.correlation()
        return replace(self._stereo.facts(self._power), low_correlation=low)

    def _measure(self, samples: Samples) -> None:
        for chunk in self._chunks.push(samples):
            self._add_chunk(chunk)

    def _add_chunk(self, chunk: Chunk) -> None:
        self._frames += chunk.frames
        accumulators: list[_Accumulator] = [
            self._outline,
            self._peaks,
            self._power,
            self._silence,
            self._transients,
            self._low_band,
            self._noise_floor,
            self._bandwidth,
            self._codec_traces,
            *self._typed(chunk.samples.dtype),
        ]
        if self._stereo is not None:
            accumulators.append(self._stereo)
        for accumulator in accumulators:
            accumulator.add(chunk)

    def _typed(self, dtype: npt.DTypeLike) -> tuple[TruePeak, Loudness, Clipping]:
        """The accumulators that must know the samples' type, made when the first arrives."""
        if self._late is None:
            made = self._format
            kernel = interpolator(self._settings.true_peak_filter, made.sample_rate_hz)
            self._late = (
                TruePeak(kernel, made.channels, dtype, self._differences),
                Loudness(made.sample_rate_hz, made.channels, made.channel_mask, dtype),
                Clipping(made.channels, self._bit_depth, self._settings),
            )
        return self._late

    def _level(self, true_peak: TruePeak, clipping: Clipping) -> LevelFacts:
        peak = self._peaks.peak
        mean_square = self._power.mean_square(self._frames)
        return LevelFacts(
            sample_peak_dbfs=db_from_ratio(peak),
            sample_peak_channel=self._peaks.channel,
            sample_peak_sample=self._peaks.sample,
            true_peak_dbtp=db_from_ratio(true_peak.finish()),
            true_peak_filter=self._settings.true_peak_filter,
            channel_peaks_dbfs=tuple(map(db_from_ratio, self._peaks.channels.tolist())),
            channel_rms_dbfs=self._power.rms_dbfs(self._frames),
            rms_dbfs=db_from_power(mean_square),
            crest_factor_db=db_from_ratio(peak) - db_from_power(mean_square) if peak else None,
            dc_offset=self._offset.within(self._outline.dc_offset(self._frames)),
            samples_at_full_scale=clipping.full_scale.samples,
            samples_over_full_scale=clipping.full_scale.over,
        )
