"""What came back of a delivery, held against the package that went out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.plan import OutputPlan
from stemprep.model.record_codec import AS_ITSELF, LEFT_OUT, Written
from stemprep.model.sheet import Use
from stemprep.model.value_types import Count, Finite
from stemprep.model.words import Role

OriginalStatus = Literal["identical", "header-changed", "rewrapped", "changed", "missing"]
MatchedBy = Literal["delivered", "source"]
RegionKind = Literal["gain", "moved", "edited", "processed", "trimmed", "padded", "rate-converted"]
SpeedCause = Literal["clock", "pull", "film", "label", "unknown"]
SpeedEvidence = Literal["mix", "length"]
Placing = Literal["time-reference", "file-start", "spill", "same-source", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A stretch of an original that came back as something else.

    start_sample, end_sample: of the original at its own rate, end exclusive; where sound was added
                   (``padded``), of the returned file.
    gain_db:       returned minus original; None where no one gain relates them.
    moved_samples: how much later the returned sound lies, samples of the original; None where it
                   was not moved.
    words:         what was done, in few words; "" where the kind says it all.
    is_added_silence: what was cut off there is silence that the package had added, nothing else.
    """

    start_sample: Count
    end_sample: Count
    kind: RegionKind
    gain_db: float | None = None
    moved_samples: int | None = None
    words: str = ""
    is_added_silence: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AddedSilence:
    """Digital silence that a package put around a recording, frames at the delivered rate."""

    head_samples: int = 0
    tail_samples: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class OriginalFate:
    """What became of one delivered file that was made from a dropped one.

    file:        path in the package (``data/...``); source: the dropped file's own path.
    format, frames: of the file as delivered; regions count in them.
    returned_as: path in the return; None where it is missing.
    copies:      further returned files with the same sound.
    matched:     whether the delivered file or its source is what came back; for a changed one,
                 what it was compared with.
    ordered:     work that a sheet ordered on it: the change is expected, measured, not blamed.
    is_another:  under the original's name came something that has nothing of its sound.
    told_rate_hz: the rate that the returned header states for the very same samples, where it is
                 another than the original's; None where it is right.
    header_words: what its header says otherwise, in words.
    lossy_copies: returned files of its name that went through a lossy codec: for listening only.
    """

    file: str
    source: str
    song: str
    role: Annotated[Role, LEFT_OUT]
    format: Annotated[AudioFormat | None, LEFT_OUT]
    frames: Annotated[int, LEFT_OUT]
    returned_as: str | None
    status: OriginalStatus
    matched: MatchedBy = "delivered"
    is_renamed: bool = False
    copies: tuple[str, ...] = ()
    regions: tuple[Region, ...] = ()
    ordered: tuple[str, ...] = ()
    is_another: Annotated[bool, Written("is_another_recording")] = False
    label_rate_hz: Annotated[Count | None, Written("told_sample_rate_hz")] = None
    header_words: tuple[str, ...] = ()
    lossy_copies: tuple[str, ...] = ()

    @property
    def sample_rate_hz(self) -> Annotated[Count | None, AS_ITSELF]:
        """Rate of the file as delivered."""
        return None if self.format is None else self.format.sample_rate_hz

    @property
    def is_unpadded(self) -> bool:
        """Nothing is missing but silence that the package had added."""
        return bool(self.regions) and all(region.is_added_silence for region in self.regions)

    @property
    def sent_name(self) -> str:
        """The name under which what came back was known: in the package, or before in the drop."""
        path = self.file if self.matched == "delivered" else self.source
        return path.rpartition("/")[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeSpeed:
    """A take that does not run at the session's speed.

    ratio:     how many times as long it lasts as what it was played to.
    error_ppm: how far off that may be, parts in a million.
    cause:     the likeliest; ``label``: its header states another rate than its sound has.
    """

    ratio: Annotated[Finite, Written(decimals=8)]
    error_ppm: Finite
    cause: SpeedCause
    evidence: SpeedEvidence

    @property
    def ppm(self) -> float:
        """How much longer it lasts, parts in a million."""
        return (self.ratio - 1.0) * 1e6

    def drift_s(self, frames: int, rate_hz: int) -> float:
        """How much later its last sound lies than its first, seconds."""
        return (self.ratio - 1.0) * frames / rate_hz / self.ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnLine:
    """What the other room's filled-in sheet says of one file; "" where it says nothing.

    use: kept (``main``) or ``alternate``; None where it does not say.
    """

    file: Annotated[str, LEFT_OUT]
    part: str = ""
    player: str = ""
    take: str = ""
    use: Annotated[Use | None, LEFT_OUT] = None
    microphone: str = ""
    printed_with: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NewFile:
    """A returned file that was not delivered.

    start_sample: where it begins on the session's timeline, from the common start, at the
                  session's rate; None where nothing tells.
    late_samples: how much too late its sound lies by the spill in it, session samples; negative:
                  early; None where nothing tells.
    placed_by:    what start_sample rests on; evidence: all that was found, in words.
    confidence:   0..1 of late_samples; 0 where there is none.
    leak_db:      how far under the take the mix lies that leaked into it, dB, negative; None where
                  none was found.
    derived_from: package path of the original that it was made of; None for a recording of its own.
    is_miscounted: its time reference was counted at the session's rate, not at its own.
    session_format: rate and word length that the session has; None where it has none.
    speed:        where it runs at another speed than the session; late_samples is then that of its
                  first sample.
    listed:       its line in the sheet that was filled in.
    use:          what that line, or else its name, calls it: kept (``main``) or an alternate.
    """

    file: str
    song: str
    role: Role
    format: Annotated[
        AudioFormat, Written(is_flat=True, without=("container", "container_bits", "channel_mask"))
    ]
    frames: Count
    start_sample: int | None
    late_samples: int | None
    placed_by: Placing
    evidence: str
    confidence: Annotated[Finite, Written(decimals=3)] = 0.0
    derived_from: str | None = None
    is_miscounted: Annotated[bool, LEFT_OUT] = False
    session_format: Annotated[AudioFormat | None, LEFT_OUT] = None
    leak_db: float | None = None
    speed: TakeSpeed | None = None
    listed: ReturnLine | None = None
    use: Use | None = None

    @property
    def session_sample_rate_hz(self) -> Annotated[Count | None, AS_ITSELF]:
        """Rate that the session has; None where it has none."""
        return None if self.session_format is None else self.session_format.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingOffset:
    """One lag that several new files share: the way through the other room's converters."""

    samples: int
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """A return held against a package, before it is judged.

    session_formats:  per song, rate and word length that most of its originals have.
    everything_asked: the originals were all asked back.
    given_back:  returned copies of what was generated for the package, and of its documents.
    unread:      returned files whose sound could not be read.
    list_file:   the filled-in sheet of the other room; "" where none came back filled in.
    not_there:   files that it lists and that did not come back; list_fault: why it was not read.
    """

    package: str
    number: int
    returned: str
    originals: tuple[OriginalFate, ...]
    new_files: tuple[NewFile, ...]
    session_formats: Mapping[str, AudioFormat]
    everything_asked: bool = False
    given_back: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    offset: RecordingOffset | None = None
    list_file: str = ""
    not_there: tuple[str, ...] = ()
    list_fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What became of one returned file in the next delivery; file: its path in the return."""

    file: str
    output: OutputPlan


@dataclass(frozen=True, slots=True, kw_only=True)
class Reconciliation:
    """A return, judged; findings worst first.

    accepted: where the next delivery lies; None where none was made.
    taken:    what became of the returned files in it.
    repaired: findings that it removes: a lag taken out by order, a rate brought to the session's.
    """

    stemprep_version: str
    spec_name: str
    returned: Returned
    findings: tuple[Finding, ...]
    accepted: str | None = None
    taken: tuple[Taken, ...] = ()
    repaired: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
