"""The session sheet: what people know and files do not say. It comes with the drop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from stemprep.model.timecode import FrameRate
from stemprep.model.words import Role

Use = Literal["main", "alternate", "unused"]
RoomWork = Literal["edit", "tune", "replace"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoMark:
    """Tempo and meter from one bar on; ``is_ramp`` glides to the next mark's tempo.

    tempo_bpm: quarter notes a minute, whatever the meter.
    """

    bar: int
    tempo_bpm: float | None = None
    meter: str | None = None
    is_ramp: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BarOne:
    """Where bar 1 begins: a timecode with its frame rate, or samples at the song's rate.

    samples: on the session's timeline, as time references count; from the start of the files where
             none of them has a time reference.
    """

    timecode: str | None = None
    frame_rate: FrameRate | None = None
    samples: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the song: what people call it, and the bar that it begins with."""

    name: str
    bar: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiTempo:
    """What a dropped MIDI file says of tempo and meter; ticks rise, the first tick is bar 1.

    tempos:  (tick, microseconds a quarter note).
    meters:  (tick, beats, note value).
    markers: (tick, text).
    """

    ticks_per_quarter: int
    tempos: tuple[tuple[int, int], ...] = ()
    meters: tuple[tuple[int, int, int], ...] = ()
    markers: tuple[tuple[int, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkOrder:
    """Work a person orders by name on one track; the only source of flips, shifts and folds.

    invert_polarity, fold_mono, remove_dc: ordered or not.
    move_samples: shift on the session's timeline (positive: later); None where not ordered.
    undo_lag:     take out the lag that was measured when the file came back from another room.
    work:         what the other room was asked to do to the file: a change is then expected.
    move_reason:  why it is moved, where the move was not ordered in a sheet; "" where it was.
    is_from_start: the move counts from the song's common start, whatever the time reference says.
    """

    invert_polarity: bool = False
    fold_mono: bool = False
    remove_dc: bool = False
    move_samples: int | None = None
    gain_db: float | None = None
    undo_lag: bool = False
    work: tuple[RoomWork, ...] = ()
    move_reason: str = ""
    is_from_start: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackNote:
    """What the sheet says of one file, or of all files that a pattern matches.

    pattern:  path relative to the drop, with ``*`` and ``?``; compared without regard to case.
    intended: words such as ``distorted``: what is meant to sound that way.
    chain:    equipment printed with the sound.
    pan:      -100 hard left to 100 hard right; level_db: fader level, 0 dB unity.
    order:    work ordered by a person.
    """

    pattern: str
    name: str | None = None
    source: str | None = None
    microphone: str | None = None
    role: Role | None = None
    group: str | None = None
    chain: str | None = None
    pan: float | None = None
    level_db: float | None = None
    take: str | None = None
    alternate_of: str | None = None
    pair_of: str | None = None
    use: Use = "main"
    intended: tuple[str, ...] = ()
    order: WorkOrder = WorkOrder()
    notes: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SongNote:
    """One song of the session; folder and files say which audio belongs to it.

    working_title:     used in file names and notices while the session is unreleased.
    reference_mix:     path or pattern of the mix that the stems add up to.
    mix_bus_processed: the mix went through processing that the stems did not; None: not said.
    gain_db:           one common gain ordered for everything of the song.
    master_candidate:  path or pattern of the mix that the master is to be made from.
    mix_bus_limited:   the mix went through a limiter; None: not said.
    fades:             fades that the mastering room is to make, in words.
    """

    title: str
    folder: str | None = None
    files: tuple[str, ...] = ()
    revision: int | None = None
    working_title: str | None = None
    isrc: str | None = None
    bar_1: BarOne | None = None
    count_in_bars: int | None = None
    tempo_map: tuple[TempoMark, ...] = ()
    tempo_file: str | None = None
    tempo_read: MidiTempo | None = None
    is_free_time: bool = False
    sections: tuple[Section, ...] = ()
    reference_mix: str | None = None
    mix_bus_processed: bool | None = None
    gain_db: float | None = None
    master_candidate: str | None = None
    mix_bus_limited: bool | None = None
    fades: str | None = None

    @property
    def named_mixes(self) -> tuple[str, ...]:
        """Paths or patterns that can only be mixes."""
        named = (self.reference_mix, self.master_candidate)
        return tuple(dict.fromkeys(pattern for pattern in named if pattern))


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiver:
    """A person's signed exception.

    start_sample, end_sample: the range it holds for; None: the whole file.
    limit:        accepted value in the check's own unit; None: any.
    audio_sha256: the audio it was signed for; a re-export needs it confirmed. None: any.
    """

    check: str
    file: str
    reason: str
    initials: str
    date: str
    start_sample: int | None = None
    end_sample: int | None = None
    limit: float | None = None
    audio_sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSheet:
    """The whole sheet, as validated.

    delivery: number of this delivery; 1 where the sheet is silent.
    correction: why this delivery corrects the one before, for its first line.
    originals_back: the other room is to send every original back, not only what is new.
    is_unreleased: titles stay out of notices and logs.
    sha256:   of the sheet's bytes.
    warnings: lines about what was read but may not be meant, as problems are told.
    """

    sha256: str = ""
    artist: str | None = None
    artist_initials: str | None = None
    title: str | None = None
    working_title: str | None = None
    is_unreleased: bool = False
    mixer_initials: str | None = None
    engineer: str | None = None
    contact: str | None = None
    rights: str | None = None
    date: str | None = None
    delivery: int | None = None
    correction: str | None = None
    originals_back: bool = False
    notes: str | None = None
    songs: tuple[SongNote, ...] = ()
    tracks: tuple[TrackNote, ...] = ()
    waivers: tuple[Waiver, ...] = ()
    warnings: tuple[str, ...] = ()
