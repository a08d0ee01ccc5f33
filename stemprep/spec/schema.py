"""The delivery spec as written in YAML: keys, ranges, examples.

Every key may be left out, because a spec that extends another states only what differs; what is
missing in the end is told when the whole is frozen. A key is the name of its field in
``model/rule.py``, without the ``is_`` of yes-or-no fields.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, create_model, model_validator

from stemprep.model import rule
from stemprep.model.words import (
    Ceiling,
    CompanionKind,
    Container,
    OperationName,
    Role,
    TruePeakFilter,
)
from stemprep.spec.freezing import NO_LIMIT
from stemprep.spec.schema_words import (
    BitDepth,
    ChannelCount,
    LevelDb,
    NoLimit,
    Notes,
    RateHz,
    SampleCount,
    Seconds,
    Strict,
    Template,
    Text,
    may,
)


class Weight(Strict):
    """How much a breach weighs."""

    severity: Ceiling = may("the most that a finding may weigh; off: not looked for", "warn")


class ContainerLimits(Weight):
    """Limits of container."""

    accepted: tuple[Container, ...] = may("containers that may stay; []: any", "[WAV, RF64]")
    largest_bytes: Annotated[int, Field(ge=1, le=1 << 62)] | NoLimit = may(
        "size over which a file is told, and RF64 whatever its size; none: no limit", 2147483648
    )


class SampleRateLimits(Weight):
    """Limits of sample-rate."""

    accepted_hz: tuple[RateHz, ...] = may("rates that may stay; []: any", "[48000, 96000]")


class BitDepthLimits(Weight):
    """Limits of bit-depth."""

    minimum_bits: BitDepth = may("shortest integer word", 24)
    accepted_bits: tuple[BitDepth, ...] = may("exact word lengths; []: any", "[24]")
    float_accepted: bool = may("floating point may stay", True)


class PaddedWordLimits(Weight):
    """Limits of padded-word."""

    min_unused_bits: Annotated[int, Field(ge=1, le=31)] = may("low bits that are always zero", 1)


class ChannelCountLimits(Weight):
    """Limits of channel-count."""

    accepted: tuple[ChannelCount, ...] = may("channel counts that may stay; []: any", "[1, 2]")


class ClippingLimits(Weight):
    """Limits of clipping."""

    max_run_samples: SampleCount = may("longest run at full scale that passes", 2)
    flat_top_severity: Ceiling = may("weight of flat tops below full scale", "warn")
    min_flat_tops: Annotated[int, Field(ge=1, le=1_000_000)] = may("fewer are no finding", 3)
    float_over_severity: Ceiling = may("weight of float samples over full scale", "warn")


class SamplePeakLimits(Weight):
    """Limits of sample-peak."""

    max_dbfs: LevelDb | NoLimit = may("highest sample peak, dBFS", -0.3)


class TruePeakLimits(Weight):
    """Limits of true-peak."""

    max_dbtp: LevelDb | NoLimit = may("highest true peak, dBTP", -1.0)


class LoudnessLimits(Weight):
    """Limits of loudness."""

    min_lufs: LevelDb | NoLimit = may("lowest integrated loudness, LUFS", -24.0)
    max_lufs: LevelDb | NoLimit = may("highest integrated loudness, LUFS", -14.0)


class DcOffsetLimits(Weight):
    """Limits of dc-offset."""

    max_dbfs: LevelDb = may("largest constant offset of a channel, dBFS", -50.0)
    min_duration_s: Seconds = may("shorter files are not judged, s", 0.5)


class SilentChannelLimits(Weight):
    """Limits of silent-channel."""

    max_channel_peak_dbfs: LevelDb = may("a channel at or below is dead, dBFS", -80.0)


class EdgeSilenceLimits(Weight):
    """Limits of head-silence and tail-silence."""

    max_s: Seconds = may("longest silence that passes, s", 2.0)


class DropoutLimits(Weight):
    """Limits of dropout."""

    max_hole_samples: SampleCount = may("a longer gap is taken for an edit", 4800)
    long_severity: Ceiling = may("weight of longer gaps", "note")
    regular_severity: Ceiling = may("weight of evenly spaced holes", "note")


HeightDb = Annotated[float, Field(ge=-20, le=60)]
Sigmas = Annotated[float, Field(ge=7, le=1e6)]


class ClickLimits(Weight):
    """Limits of click."""

    max_short_samples: Annotated[int, Field(ge=1, le=64)] = may("longest short click", 8)
    min_height_db: HeightDb = may("short clicks, over the peak of the 50 ms around, dB", 5.5)
    min_sure_height_db: HeightDb = may("short clicks that are certain, dB", -6.0)
    min_sure_sigmas: Sigmas = may(
        "prediction error of a certain click as high as the sound around, deviations", 150.0
    )
    min_long_height_db: HeightDb = may("longer clicks, dB", 8.0)
    min_sure_long_height_db: HeightDb = may("longer clicks that are certain, dB", 4.0)
    min_sure_long_sigmas: Sigmas = may("prediction error of such, deviations", 400.0)
    min_long_sigmas: Sigmas = may("prediction error of longer clicks, deviations", 12.0)
    min_crackles: Annotated[int, Field(ge=1, le=10_000)] = may(
        "as many of nearly that height are the sound's own", 3
    )
    min_recurrences: Annotated[int, Field(ge=1, le=127)] = may(
        "as many others at the same place of the same sound make a click part of it", 1
    )
    recurring_severity: Ceiling = may("weight of clicks that are part of their sound", "note")


class CutOffLimits(Weight):
    """Limits of cut-off."""

    max_below_rms_db: Annotated[float, Field(ge=0, le=60)] = may(
        "an abrupt edge counts from this much below the file's level, dB", 6.0
    )
    min_duration_s: Seconds = may("shorter files are not judged, s", 1.0)


class DualMonoLimits(Weight):
    """Limits of dual-mono."""

    max_difference_dbfs: LevelDb = may("peak of left minus right, dBFS", -90.0)


class BandwidthLimits(Weight):
    """Limits of bandwidth."""

    min_drop_db: Annotated[float, Field(ge=30, le=120)] = may(
        "fall at a lower rate's edge that tells converted sound, dB", 40.0
    )


class NoiseFloorLimits(Weight):
    """Limits of noise-floor."""

    max_dbfs: LevelDb = may("loudest noise between the notes, dBFS RMS", -60.0)


class HumLimits(Weight):
    """Limits of hum."""

    max_dbfs: LevelDb = may("loudest mains hum in the pauses, dBFS RMS", -75.0)


class StereoPolarityLimits(Weight):
    """Limits of stereo-polarity."""

    max_correlation: Annotated[float, Field(ge=-1, le=0)] = may(
        "lasting correlation at or below: one side is inverted", -0.9
    )
    max_mono_sum_change_db: LevelDb = may("and so much is lost in mono, dB", -6.0)


class LengthLimits(Weight):
    """Limits of length."""

    tolerance_samples: SampleCount = may("how much lengths of one song may differ", 0)


class MicDelayLimits(Weight):
    """Limits of mic-delay."""

    air_temperature_c: Annotated[float, Field(ge=-40, le=60)] = may(
        "air temperature by which the way of the sound is told, C", 20.0
    )


class LateEntryLimits(Weight):
    """Limits of late-entry."""

    min_ms: Annotated[float, Field(ge=0.1, le=200)] = may(
        "a new file that is early or late by this is told, ms", 2.0
    )
    max_room_ms: Annotated[float, Field(ge=0, le=200)] = may(
        "up to here a lateness may be the way from loudspeakers, ms", 15.0
    )
    min_room_leak_db: Annotated[float, Field(ge=-144, le=0)] = may(
        "a leak farther under the take than this comes from headphones, dB", -40.0
    )


class TimeReferenceLimits(Weight):
    """Limits of time-reference."""

    required: bool = may("every file must carry one", False)


class NameLimits(Weight):
    """Limits of name."""

    portable: bool = may("names must hold on Windows, macOS and Linux", True)
    max_path_characters: Annotated[int, Field(ge=20, le=4096)] = may("of the whole path", 255)


class ChecksumLimits(Weight):
    """Limits of checksum."""

    absent_severity: Ceiling = may("weight of a sum that the file could hold and does not", "note")


LIMITS: dict[type[rule.Rule], type[Weight]] = {
    rule.Rule: Weight,
    rule.ContainerRule: ContainerLimits,
    rule.SampleRateRule: SampleRateLimits,
    rule.BitDepthRule: BitDepthLimits,
    rule.PaddedWordRule: PaddedWordLimits,
    rule.ChannelCountRule: ChannelCountLimits,
    rule.ClippingRule: ClippingLimits,
    rule.SamplePeakRule: SamplePeakLimits,
    rule.TruePeakRule: TruePeakLimits,
    rule.LoudnessRule: LoudnessLimits,
    rule.DcOffsetRule: DcOffsetLimits,
    rule.SilentChannelRule: SilentChannelLimits,
    rule.EdgeSilenceRule: EdgeSilenceLimits,
    rule.DropoutRule: DropoutLimits,
    rule.ClickRule: ClickLimits,
    rule.CutOffRule: CutOffLimits,
    rule.DualMonoRule: DualMonoLimits,
    rule.StereoPolarityRule: StereoPolarityLimits,
    rule.BandwidthRule: BandwidthLimits,
    rule.NoiseFloorRule: NoiseFloorLimits,
    rule.HumRule: HumLimits,
    rule.LengthRule: LengthLimits,
    rule.MicDelayRule: MicDelayLimits,
    rule.LateEntryRule: LateEntryLimits,
    rule.TimeReferenceRule: TimeReferenceLimits,
    rule.NameRule: NameLimits,
    rule.ChecksumRule: ChecksumLimits,
}
"""Rule class -> the schema of its limits; a test holds that keys and fields agree."""


def _with_roles(limits: type[Weight]) -> type[Weight]:
    """Give the schema of one check: its limits, and those of the roles that differ."""
    roles = may("roles that differ from the rest; each states only what differs")
    return create_model(
        limits.__name__.removesuffix("Limits") + "Check",
        __base__=limits,
        __doc__=f"{limits.__doc__} For all roles and for single ones.",
        roles=(dict[Role, limits], roles),  # type: ignore[valid-type]
    )


def _checks() -> type[Strict]:
    """Give the schema of ``checks``: one key for every registered check id."""
    entries = {limits: _with_roles(limits) for limits in LIMITS.values()}
    keys: dict[str, Any] = {
        check.replace("-", "_"): (
            entries[LIMITS[rule_type]],
            Field(default=None, alias=check, description=f"see: stemprep explain {check}"),
        )
        for check, rule_type in rule.RULE_TYPES.items()
    }
    return create_model("Checks", __base__=Strict, __doc__="Severity and limits by check.", **keys)


class MeasureKeys(Strict):
    """Thresholds that steer measuring."""

    silence_peak_dbfs: LevelDb = may("a sample at or below is silent, dBFS", -80.0)
    edge_silence_dbfs: LevelDb = may("the same at head and tail, dBFS", -70.0)
    min_clip_run_samples: Annotated[int, Field(ge=1, le=1000)] = may(
        "shortest run at full scale that is listed", 3
    )
    min_flat_top_samples: Annotated[int, Field(ge=2, le=1000)] = may(
        "shortest flat top below full scale that is listed", 3
    )
    min_flat_top_dbfs: LevelDb = may("lower flat tops are not looked for, dBFS", -20.0)
    min_silent_stretch_s: Seconds = may("shortest silence inside sound that is listed, s", 2.0)
    true_peak_filter: TruePeakFilter = may("filter that reads the true peak", "long")
    overview_columns: Annotated[int, Field(ge=50, le=5000)] = may("width of the picture", 600)


class TargetKeys(Strict):
    """What a delivered file is to be."""

    container: Literal["source", "WAV", "FLAC"] = may("container of written files", "WAV")
    sample_rate_hz: RateHz | Literal["song", "source"] = may(
        "rate of written files; song: the rate of most files of the song; source: its own", 48000
    )
    bit_depth: Annotated[int, Field(ge=16, le=64)] | Literal["song", "source"] = may(
        "word length of written files; song: that of most files of the song; source: its own", 24
    )
    float_kept: bool = may("a float source stays float whatever bit_depth says", True)


class OperationKeys(Strict):
    """What is done to files."""

    base: Literal["copy", "copy-audio"] = may("what a file gets that needs nothing else", "copy")
    allowed: tuple[OperationName, ...] = may(
        "operations that may be planned without an order in the session sheet", "[rewrap, rename]"
    )
    common_start: bool = may("all files of a song begin at one point of the timeline", True)
    start_at_bar_1: bool = may(
        "where the session sheet says where bar 1 lies, the files begin there, less its count-in, "
        "or earlier where sound exists",
        True,
    )
    equal_length: bool = may("all files of a song are padded to one length", True)
    trimmed: bool = may("silence common to all files of a song is cut at head and tail", False)
    trim_threshold_dbfs: LevelDb = may("what a trim takes for silence, dBFS", -70.0)
    trim_head_s: Seconds = may("left before the first sound, s", 1.0)
    trim_tail_s: Seconds = may("left after the last sound, s", 2.0)
    edge_fade_ms: Annotated[float, Field(ge=0, le=1000)] = may("fade at a cut that met sound", 5.0)


class NamingKeys(Strict):
    """How delivered files are called."""

    template: Template = may("{token} text; none: the source's own name", "{song_title}_{name}")
    template_roles: tuple[Role, ...] = may("roles that the template is for", "[mix, stem]")
    portable: bool = may("names are made to hold on Windows, macOS and Linux", True)
    numbered: bool = may("names begin with a running number", False)

    @model_validator(mode="after")
    def _template_is_for_somebody(self) -> NamingKeys:
        is_set = self.template is not None and self.template != NO_LIMIT
        if is_set and self.template_roles == ():
            raise ValueError("template_roles: empty; name the roles that the template is for")
        return self


class ContentsKeys(Strict):
    """What the package holds."""

    layout: Literal["roles", "as-dropped"] = may("folders by role, or the drop's own", "roles")
    left_out_roles: tuple[Role, ...] = may("roles that do not travel", "[talkback]")
    damaged_kept: bool = may("a damaged file is kept byte for byte and listed first", False)
    companions: tuple[CompanionKind, ...] = may(
        "what is made for the package beside what was dropped", "[click, tempo-map]"
    )
    cue_points: bool = may(
        "sections, tempo and findings are written into the copies as cue points", False
    )
    songs_told: bool = may("the note tells, song by song, what a mastering room asks for", False)
    readme: bool = may("README.txt at the top tells a stranger what all this is", False)


class SpecKeys(Strict):
    """A delivery spec."""

    title: Text = may("what the spec is called in reports", "Stems for the mastering room")
    purpose: Notes = may("one line: for whom, and what for", "For the room that masters the mix")
    extends: Text = may("shipped spec or file in the same folder to start from", "mastering")
    measure: MeasureKeys = may("thresholds that steer measuring")
    checks: _checks() = may("severity and limits, by check id")  # type: ignore[valid-type]
    target: TargetKeys = may("what a delivered file is to be")
    operations: OperationKeys = may("what is done to files")
    naming: NamingKeys = may("how delivered files are called")
    contents: ContentsKeys = may("what the package holds")
