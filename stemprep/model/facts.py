"""Measurements of one file and of the set; no verdict.

Levels are dBFS with full scale = 1.0; a full-scale sine has an RMS level of -3.01 dBFS.
-inf stands for digital silence. Positions are 0-based, ends exclusive, in samples per
channel at the file's own rate; channels count from 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

from stemprep.model.definition import ItemCount, Key, Range
from stemprep.model.density import Density
from stemprep.model.header import AudioFormat, Header
from stemprep.model.mic_pairs import MicPair
from stemprep.model.null_test import NullTest, UntestedSum
from stemprep.model.record_codec import FLAGGED, FLAT, LEFT_OUT, RATIO, RATIO_DECIMALS, Written
from stemprep.model.value_types import Count, LevelDb, Seconds
from stemprep.model.words import Role, TruePeakFilter

MAX_LISTED_RUNS = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSettings:
    """The thresholds that steer measuring; part of the key under which facts are kept."""

    silence_peak_dbfs: Annotated[LevelDb, Key("a sample at or below is silent, dBFS", -80.0)]
    edge_silence_dbfs: Annotated[LevelDb, Key("the same at head and tail, dBFS", -70.0)]
    min_clip_run_samples: Annotated[
        int, Range(1, 1000), Key("shortest run at full scale that is listed", 3)
    ]
    min_flat_top_samples: Annotated[
        int, Range(2, 1000), Key("shortest flat top below full scale that is listed", 3)
    ]
    min_flat_top_dbfs: Annotated[LevelDb, Key("lower flat tops are not looked for, dBFS", -20.0)]
    min_silent_stretch_s: Annotated[
        Seconds, Key("shortest silence inside sound that is listed, s", 2.0)
    ]
    true_peak_filter: Annotated[TruePeakFilter, Key("filter that reads the true peak", "long")]
    overview_columns: Annotated[int, Range(50, 5000), Key("width of the picture", 600)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Runs of samples that share a fault.

    runs: (channel from 1, start, end) in order of start, at most 10,000; count and samples
          cover all of them, listed or not.
    density: where all of them are; None where all are listed.
    """

    count: int = 0
    samples: int = 0
    longest: int = 0
    runs: Annotated[tuple[tuple[int, int, int], ...], ItemCount(high=MAX_LISTED_RUNS)] = ()
    is_capped: bool = False
    density: Annotated[Density | None, LEFT_OUT] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelFacts:
    """Levels of one file.

    sample_peak_dbfs:    highest absolute sample of all channels; -inf for digital silence.
    sample_peak_channel, sample_peak_sample: where it stands first.
    true_peak_dbtp:      highest interpolated value, never below the sample peak.
    channel_peaks_dbfs, channel_rms_dbfs: one value a channel.
    rms_dbfs:            root of the mean square over all channels and samples.
    crest_factor_db:     sample peak over RMS; None for silence.
    dc_offset:           per channel, full scale = 1.0: the mean weighted by a squared Hann window
                         over the file (a plain mean calls a low note that does not fill whole
                         cycles an offset), brought to where quiet short windows agree (a drum
                         that decays has an area, and no offset).
    samples_at_full_scale: samples at the largest or smallest code (integer) or |x| >= 1 (float).
    samples_over_full_scale: float samples with |x| > 1.
    """

    sample_peak_dbfs: Annotated[float, FLAGGED]
    sample_peak_channel: int
    sample_peak_sample: int
    true_peak_dbtp: Annotated[float, FLAGGED]
    true_peak_filter: TruePeakFilter
    channel_peaks_dbfs: Annotated[tuple[float, ...], FLAGGED]
    channel_rms_dbfs: Annotated[tuple[float, ...], FLAGGED]
    rms_dbfs: Annotated[float, FLAGGED]
    crest_factor_db: float | None
    dc_offset: Annotated[tuple[float, ...], RATIO]
    samples_at_full_scale: int = 0
    samples_over_full_scale: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessFacts:
    """ITU-R BS.1770-5 and EBU Tech 3341/3342 readings; a mono file counts as one channel.

    loudness_lufs:       gated integrated loudness; None under 0.4 s or with every block gated.
    loudness_range_lu:   None where no short-term value passes the gates (under 3 s, silence).
    max_momentary_lufs:  400 ms window on a 10 ms grid; None under 0.4 s; -inf in silence.
    max_short_term_lufs: 3 s window; None under 3 s; -inf in silence.
    is_range_meaningful: False under 60 s (Tech 3342).
    reason:              why loudness_lufs is None, in words; "" otherwise.
    """

    loudness_lufs: float | None
    loudness_range_lu: float | None
    max_momentary_lufs: Annotated[float | None, FLAGGED]
    max_short_term_lufs: Annotated[float | None, FLAGGED]
    is_range_meaningful: Annotated[bool, Written("is_loudness_range_meaningful")]
    reason: Annotated[str, Written("loudness_reason")] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipFacts:
    """full_scale: runs at full scale; flat_tops: runs at one level below it, a clip turned down.

    flat_top_dbfs: level of the most frequent flat top; None where there is none.
    """

    full_scale: Annotated[Runs, Written("clip_runs")]
    flat_tops: Runs
    flat_top_dbfs: Annotated[float | None, Written("level_dbfs", inside="flat_tops")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SilenceFacts:
    """Where the file is at or below the silence threshold in every channel.

    leading_samples, trailing_samples: the whole length for a file that never rises above it.
    stretches: (start, end) of silences inside the sound, at most 1,000.
    is_digital_silence: every sample of every channel is exactly zero.
    edge_threshold_dbfs, edge_leading_samples, edge_trailing_samples: head and tail by the level
               that the spec sets for them.
    """

    threshold_dbfs: Annotated[float, FLAGGED]
    leading_samples: int
    trailing_samples: int
    stretches: tuple[tuple[int, int], ...]
    is_digital_silence: bool
    edge_threshold_dbfs: Annotated[float, FLAGGED] = -70.0
    edge_leading_samples: int = 0
    edge_trailing_samples: int = 0

    def is_silent(self, frames: int) -> bool:
        """True when no sample of the file rises above the threshold."""
        return self.leading_samples >= frames


@dataclass(frozen=True, slots=True, kw_only=True)
class StereoFacts:
    """How the first two channels relate; only for files of exactly two.

    correlation:          -1..1; None when a channel is digital silence.
    is_identical:         left and right carry the same samples.
    difference_peak_dbfs: peak of (left - right); -inf when identical.
    mono_sum_change_db:   level of (L+R)/2 against the louder-by-power mean of L and R, dB;
                          0 for dual mono, -3.01 uncorrelated, -inf for a full cancellation;
                          None for silence.
    out_of_phase_share:   share of the time in which both sides sound (over -60 dBFS RMS, windows
                          of a third of a second) with a correlation below -0.5; None where they
                          never do.
    lasting_correlation:  what the correlation stays at or below for nine tenths of that time, the
                          higher one of full band and treble counting, to 0.01.
    low_correlation:      what the correlation below some 70 Hz stays at or below in half of the
                          windows in which both sides have a loud low end, to 0.02; None where
                          they have hardly any.
    """

    correlation: Annotated[float | None, RATIO]
    is_identical: bool
    difference_peak_dbfs: Annotated[float, FLAGGED]
    mono_sum_change_db: Annotated[float | None, FLAGGED]
    out_of_phase_share: float | None = None
    lasting_correlation: float | None = None
    low_correlation: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HumFacts:
    """Mains hum in the pauses: which mains, in which channel (from 1), how loud, what of it.

    level_dbfs:  RMS of all its partials together.
    partials_hz: the multiples that stand out of the noise and stay unchanged.
    """

    mains_hz: int
    channel: int
    level_dbfs: float
    partials_hz: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PauseFacts:
    """What is heard between the notes.

    noise_floor_dbfs: RMS that the quietest twentieth of the tenths of a second stay at or below,
                      offset taken out, digital silence left out, to 0.25 dB; of several channels
                      the noisiest; None where the sound leaves no steady pauses.
    channel:          the channel of that, from 1.
    range_db:         how far it lies under the loud windows there.
    hum:              None where none was found.
    """

    noise_floor_dbfs: float | None = None
    channel: int = 1
    range_db: float | None = None
    hum: HumFacts | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BandwidthFacts:
    """Whether the spectrum of the loudest moments ends where a lower sample rate's would.

    ends_like_rate_hz: that rate; None where it does not, or the file is too quiet or too short.
    drop_db:           how far the spectrum falls at that edge.
    """

    ends_like_rate_hz: int | None = None
    drop_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CodecTraceFacts:
    """What a codec that loses has left in decoded sound.

    family:         ``MP3``, ``AAC``, ``Vorbis``, ``Opus``, or ``a lossy codec``.
    frame_samples:  from one frame of the codec to the next.
    offset_samples: first sample of a frame, from 0 to that.
    zero_share:     of the coefficients looked at, how many are near zero on this grid.
    typical_share:  the same at any other position of the grid.
    confidence:     0 to 1.
    places:         first samples of the stretches that show it, 8,192 samples each.
    """

    family: str
    frame_samples: int
    offset_samples: int
    zero_share: Annotated[float, Written(decimals=RATIO_DECIMALS)]
    typical_share: Annotated[float, Written(decimals=RATIO_DECIMALS)]
    confidence: Annotated[float, Written(decimals=RATIO_DECIMALS)]
    places: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WordFacts:
    """How much of the stated word length the samples use.

    effective_bit_depth: bits in use, from the OR of all samples; 0 for digital silence;
                         for float files the smallest integer word that holds every sample
                         exactly, None where no word up to 32 bits does.
    reads_as:            what 32-bit words must be instead of what the header calls them; None
                         where the header is right.
    """

    effective_bit_depth: int | None
    reads_as: Annotated[Literal["integer", "float"] | None, Written("words_read_as")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickFacts:
    """One disturbance of a few samples that the sound around it does not foretell.

    height_db: what was added, its largest sample against the largest of the 50 ms around.
    sigmas:    largest prediction error, in deviations of the error around.
    recurrences: how many others of the file (of the first 128) are as high and stand at the same
               place of the same sound; 0 where the sound around stays at one level.
    """

    channel: int
    start: int
    end: int
    height_db: float
    sigmas: Annotated[float, Written(decimals=1)]
    recurrences: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeFacts:
    """How the file begins or ends, in its loudest channel there.

    level_dbfs: RMS of the first or last 5 ms; -inf for digital silence.
    is_abrupt:  the sound does not come from zero or go there: its edge sample is further from
                zero than the sound moves from one sample to the next.
    """

    channel: int = 1
    level_dbfs: Annotated[float, FLAGGED] = -math.inf
    is_abrupt: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TransientFacts:
    """Places where sound is missing, comes twice, jumps or breaks off.

    holes:         digital zero inside a continuing sound with an abrupt edge, of any length from
                   the shortest looked for.
    regular_holes: the same, but as evenly spaced as a chopped sound or a pulse wave is.
    repeats:       samples that are an exact copy of those shortly before; the run is the copy.
    clicks:        in order of start, at most 10,000; click_count covers all.
    searched_share: share of cells of 32 samples in which a click was looked for closely.
    """

    holes: Runs = field(default_factory=Runs)
    regular_holes: Runs = field(default_factory=Runs)
    repeats: Runs = field(default_factory=Runs)
    clicks: Annotated[
        tuple[ClickFacts, ...], ItemCount(high=MAX_LISTED_RUNS), Written("places", inside="clicks")
    ] = ()
    click_count: Annotated[int, Written("count", inside="clicks")] = 0
    searched_share: Annotated[float, Written(inside="clicks", decimals=RATIO_DECIMALS)] = 0.0
    head: EdgeFacts = field(default_factory=EdgeFacts)
    tail: EdgeFacts = field(default_factory=EdgeFacts)

    @property
    def is_capped(self) -> Annotated[bool, Written(inside="clicks")]:
        """True where more clicks were found than are listed."""
        return self.click_count > len(self.clicks)


@dataclass(frozen=True, slots=True, kw_only=True)
class NonFinite:
    """Samples that are NaN or infinite: how many, and where the first stands."""

    count: int = 0
    first_channel: int | None = None
    first_sample: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """A waveform picture: per channel, lowest and highest value of each column."""

    minimum: tuple[tuple[float, ...], ...]
    maximum: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """All that one streaming pass over the samples yields; None-free because it needs sound.

    waveform: the overview finer, for pages: per channel, lowest and highest value of each column
              in turn, a companded byte each (``dsp.companding``).
    """

    frames: Annotated[int, LEFT_OUT]
    audio_sha256: Annotated[str, LEFT_OUT]
    level: Annotated[LevelFacts, FLAT]
    loudness: Annotated[LoudnessFacts, FLAT]
    clipping: Annotated[ClipFacts, FLAT]
    silence: SilenceFacts
    stereo: StereoFacts | None
    word: Annotated[WordFacts, FLAT]
    non_finite: NonFinite
    overview: Annotated[Overview, LEFT_OUT]
    waveform: Annotated[tuple[bytes, ...], LEFT_OUT] = ()
    transients: Annotated[TransientFacts, FLAT] = field(default_factory=TransientFacts)
    pauses: PauseFacts = field(default_factory=PauseFacts)
    bandwidth: BandwidthFacts = field(default_factory=BandwidthFacts)
    codec_trace: CodecTraceFacts | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """Everything known about one file.

    sha256: of the file's bytes; "" only when the file could not be opened at all.
    sound:  None when nothing could be decoded; the header's faults say why.
    """

    size_bytes: int
    sha256: Annotated[str, LEFT_OUT]
    header: Annotated[Header, FLAT]
    sound: Annotated[Sound | None, FLAT]

    @property
    def frames(self) -> Annotated[int, Written()]:
        """Frames that were decoded; those that the header reader found where nothing was."""
        return self.header.frames if self.sound is None else self.sound.frames

    @property
    def format(self) -> AudioFormat | None:
        """Container and sample format; None for a file that is not understood."""
        return self.header.format

    @property
    def audio_sha256(self) -> str | None:
        """Hash of the decoded samples; None without sound."""
        return None if self.sound is None else self.sound.audio_sha256


@dataclass(frozen=True, slots=True, kw_only=True)
class SetFacts:
    """What is known about the set and not about any one file; paths as in the report.

    duplicates: groups of files with the same samples.
    pairs:      (left, right) files that form one stereo signal by name and format.
    null_tests: whether the stems of each song add up to its mix.
    untested_sums: stems and mixes that could not be compared, with the reason.
    mic_pairs:  which microphone lies where against which.
    unclear_mic_pairs: (reference, file) that were compared and tell nothing.
    """

    duplicates: tuple[Annotated[tuple[str, ...], ItemCount(2)], ...] = ()
    pairs: Annotated[tuple[tuple[str, str], ...], Written(keys=("left", "right"))] = ()
    songs: tuple[SongFacts, ...] = ()
    null_tests: tuple[NullTest, ...] = ()
    untested_sums: tuple[UntestedSum, ...] = ()
    mic_pairs: tuple[MicPair, ...] = ()
    unclear_mic_pairs: Annotated[
        tuple[tuple[str, str], ...], Written(keys=("reference", "file"))
    ] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SongFacts:
    """Start, length and formats of one song.

    start_samples: earliest time reference of the song at its own rate; None where no file has one.
    """

    song: str
    files: Count
    sample_rates_hz: tuple[Count, ...] = ()
    bit_depths: tuple[Count, ...] = ()
    sample_rate_hz: Count | None = None
    bit_depth: Count | None = None
    start_samples: int | None = None
    frames: Count | None = None
    roles: Mapping[Role, Count] = field(default_factory=dict)
