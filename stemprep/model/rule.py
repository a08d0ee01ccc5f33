"""The delivery spec, frozen: what is accepted, how much a breach weighs, what is done about it.

Each check has a rule class; ``severity`` is a ceiling. Limits without a published standard are
marked 'common practice' in configs/.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from stemprep.model.facts import MeasureSettings
from stemprep.model.words import Ceiling, CompanionKind, Container, OperationName, Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A rule without a limit."""

    severity: Ceiling = "warn"


@dataclass(frozen=True, slots=True, kw_only=True)
class ContainerRule(Rule):
    """Kinds of file, and how large one may be.

    accepted: containers that may stay; empty: any that keeps every sample.
    largest_bytes: size over which a file is told, as is any in a container made for such sizes;
                   None: no limit.
    """

    accepted: tuple[Container, ...] = ()
    largest_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleRateRule(Rule):
    """accepted_hz: rates that may stay; empty: any from 8 to 384 kHz."""

    accepted_hz: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BitDepthRule(Rule):
    """minimum_bits: shortest integer word;
    accepted_bits: exact list, empty: any from the minimum.
    """

    minimum_bits: int = 16
    accepted_bits: tuple[int, ...] = ()
    is_float_accepted: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelCountRule(Rule):
    """accepted: channel counts that may stay; empty: any."""

    accepted: tuple[int, ...] = (1, 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClippingRule(Rule):
    """severity: full-scale runs; flat_top_severity: flat tops below full scale;
    float_over_severity: float samples over full scale that are not clipped.
    """

    max_run_samples: int = 2
    flat_top_severity: Ceiling = "warn"
    min_flat_tops: int = 3
    float_over_severity: Ceiling = "warn"


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplePeakRule(Rule):
    """max_dbfs: highest sample peak; None: no limit."""

    max_dbfs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TruePeakRule(Rule):
    """max_dbtp: highest true peak; None: no limit."""

    max_dbtp: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudnessRule(Rule):
    """Integrated loudness between the two, LUFS; None: no limit on that side."""

    min_lufs: float | None = None
    max_lufs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DcOffsetRule(Rule):
    """max_dbfs: largest constant offset of a channel, dBFS;
    min_duration_s: shorter is not judged.
    """

    max_dbfs: float = -50.0
    min_duration_s: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentChannelRule(Rule):
    """max_channel_peak_dbfs: a channel that stays at or below is dead while another sounds."""

    max_channel_peak_dbfs: float = -80.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeSilenceRule(Rule):
    """Silence at head or tail, by the spec's measuring settings, longer than max_s."""

    max_s: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DropoutRule(Rule):
    """severity: holes up to max_hole_samples and repeated buffers; long_severity: longer gaps;
    regular_severity: holes as evenly spaced as those of a chopped sound.
    """

    max_hole_samples: int = 4_800
    long_severity: Ceiling = "note"
    regular_severity: Ceiling = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickRule(Rule):
    """Height over the largest sample of the 50 ms around, and certainty, from which a click counts.

    min_height_db: up to max_short_samples; min_sure_height_db: the same with min_sure_sigmas, and
    as many times more as it is lower than the sound around;
    min_long_height_db: longer ones with min_long_sigmas; min_sure_long_height_db: the same with
    min_sure_long_sigmas: where sound covers their ends they read lower than they are;
    min_crackles: as many of nearly that height are the sound's own;
    min_recurrences: as many others at the same place of the same sound make it part of that sound;
    recurring_severity: the ceiling of such.
    """

    max_short_samples: int = 8
    min_height_db: float = 5.5
    min_sure_height_db: float = -6.0
    min_sure_sigmas: float = 150.0
    min_long_height_db: float = 8.0
    min_sure_long_height_db: float = 4.0
    min_sure_long_sigmas: float = 400.0
    min_long_sigmas: float = 12.0
    min_crackles: int = 3
    min_recurrences: int = 1
    recurring_severity: Ceiling = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOffRule(Rule):
    """max_below_rms_db: an abrupt edge counts from this much below the level of the whole file;
    min_duration_s: shorter is not judged.
    """

    max_below_rms_db: float = 6.0
    min_duration_s: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DualMonoRule(Rule):
    """max_difference_dbfs: peak of left minus right at or below which two sides are one."""

    max_difference_dbfs: float = -90.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StereoPolarityRule(Rule):
    """max_correlation: a lasting correlation at or below is an inverted side, if the mono sum
    changes by max_mono_sum_change_db or more.
    """

    max_correlation: float = -0.9
    max_mono_sum_change_db: float = -6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseFloorRule(Rule):
    """max_dbfs: loudest noise between the notes, RMS of a channel."""

    max_dbfs: float = -60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HumRule(Rule):
    """max_dbfs: loudest mains hum, RMS of all its partials together."""

    max_dbfs: float = -75.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BandwidthRule(Rule):
    """min_drop_db: how far a spectrum must fall at a lower rate's edge to end there."""

    min_drop_db: float = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PaddedWordRule(Rule):
    """min_unused_bits: how many always-zero low bits make a word padded."""

    min_unused_bits: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthRule(Rule):
    """tolerance_samples: how much the lengths of one song may differ."""

    tolerance_samples: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class MicDelayRule(Rule):
    """air_temperature_c: by which the way of the sound is told from its time."""

    air_temperature_c: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LateEntryRule(Rule):
    """min_ms: from here on, early or late, it is told;
    max_room_ms: up to here a lateness may be the way from loudspeakers, and is a note;
    min_room_leak_db: where the mix lies no farther than this under the take.
    """

    min_ms: float = 2.0
    max_room_ms: float = 15.0
    min_room_leak_db: float = -40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeReferenceRule(Rule):
    """is_required: every file must carry one."""

    is_required: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class NameRule(Rule):
    """is_portable: names must hold on Windows, macOS and Linux;
    max_path_characters: of the whole path.
    """

    is_portable: bool = True
    max_path_characters: int = 255


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumRule(Rule):
    """severity: a sum that disagrees;
    absent_severity: a container that could hold one and does not.
    """

    absent_severity: Ceiling = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleTable:
    """The rule of one check: for any role, and the roles that differ."""

    default: Rule
    by_role: Mapping[Role, Rule] = field(default_factory=dict)

    def for_role(self, role: Role) -> Rule:
        """Give the rule that holds for a file of this role."""
        return self.by_role.get(role, self.default)


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """What a delivered file is to be; ``song``: the majority of its own song; ``source``: its own.

    is_float_kept: a float source stays float whatever bit_depth says.
    """

    container: Literal["source", "WAV", "FLAC"] = "source"
    sample_rate_hz: int | Literal["song", "source"] = "source"
    bit_depth: int | Literal["song", "source"] = "source"
    is_float_kept: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Operations:
    """base: what happens to a file that needs nothing else; allowed: repairs that may be planned
    without being ordered by name in the sheet.
    """

    base: Literal["copy", "copy-audio"] = "copy"
    allowed: tuple[OperationName, ...] = ()
    is_common_start: bool = False
    is_start_at_bar_1: bool = False
    is_equal_length: bool = False
    is_trimmed: bool = False
    trim_threshold_dbfs: float = -70.0
    trim_head_s: float = 1.0
    trim_tail_s: float = 2.0
    edge_fade_ms: float = 5.0


TEMPLATE_TOKENS = (
    "artist_initials",
    "song_title",
    "mixer_initials",
    "revision",
    "version",
    "rate",
    "bits",
    "name",
    "number",
)
"""Every word that may stand in braces in a naming template."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """template: ``{token}`` text, or None for the source's own name;
    template_roles: where it applies.
    """

    template: str | None = None
    template_roles: tuple[Role, ...] = ()
    is_portable: bool = True
    is_numbered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """layout: ``roles``: folders by role; ``as-dropped``: the tree of the drop.

    left_out_roles: roles that do not travel in this package.
    companions: what is made for the package beside what was dropped.
    is_cue_points: sections, tempo and findings are written into the WAV copies as cue points.
    is_songs_told: the delivery note tells, song by song, what a mastering room asks for.
    is_readme: README.txt at the package's top tells a stranger what all this is.
    """

    layout: Literal["roles", "as-dropped"] = "roles"
    left_out_roles: tuple[Role, ...] = ()
    is_damaged_kept: bool = False
    companions: tuple[CompanionKind, ...] = ()
    is_cue_points: bool = False
    is_songs_told: bool = False
    is_readme: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliverySpec:
    """One validated delivery spec with everything it extends folded in.

    name:   shipped name or file stem; sha256: over the canonical resolved content.
    rules:  check id -> rules; every registered check has one.
    warnings: lines about what was read but may not be meant, as problems are told.
    """

    name: str
    title: str
    purpose: str
    sha256: str
    measure: MeasureSettings
    rules: Mapping[str, RuleTable]
    target: Target
    operations: Operations
    naming: Naming
    contents: Contents
    warnings: tuple[str, ...] = ()

    def rule(self, check: str, role: Role) -> Rule:
        """Give the rule of one check for one role."""
        return self.rules[check].for_role(role)


RULE_TYPES: Mapping[str, type[Rule]] = {
    "unreadable": Rule,
    "truncated": Rule,
    "header": Rule,
    "checksum": ChecksumRule,
    "lossy-source": Rule,
    "container": ContainerRule,
    "sample-rate": SampleRateRule,
    "bit-depth": BitDepthRule,
    "padded-word": PaddedWordRule,
    "wrong-word-label": Rule,
    "channel-count": ChannelCountRule,
    "not-finite": Rule,
    "clipping": ClippingRule,
    "sample-peak": SamplePeakRule,
    "true-peak": TruePeakRule,
    "loudness": LoudnessRule,
    "dc-offset": DcOffsetRule,
    "silent-file": Rule,
    "silent-channel": SilentChannelRule,
    "head-silence": EdgeSilenceRule,
    "tail-silence": EdgeSilenceRule,
    "cut-off": CutOffRule,
    "dropout": DropoutRule,
    "click": ClickRule,
    "dual-mono": DualMonoRule,
    "stereo-polarity": StereoPolarityRule,
    "bandwidth": BandwidthRule,
    "noise-floor": NoiseFloorRule,
    "hum": HumRule,
    "start-alignment": Rule,
    "time-reference": TimeReferenceRule,
    "length": LengthRule,
    "wrong-rate-label": Rule,
    "mixed-formats": Rule,
    "duplicate-audio": Rule,
    "split-pair": Rule,
    "null-test": Rule,
    "mic-polarity": Rule,
    "mic-delay": MicDelayRule,
    "name": NameRule,
    "name-collision": Rule,
    "clutter": Rule,
    "unexpected-file": Rule,
    "missing-file": Rule,
    "unsafe-entry": Rule,
    "original-changed": Rule,
    "original-missing": Rule,
    "original-renamed": Rule,
    "original-unpadded": Rule,
    "late-entry": LateEntryRule,
    "unplaced": Rule,
    "waiver": Rule,
}
"""Every check id with the class of its rule; ``checks`` registers exactly these."""
