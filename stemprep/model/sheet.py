"""The session sheet: what people know and files do not say. It comes with the drop."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, Literal

from stemprep.model.definition import ItemCount, Key, Range, TextForm
from stemprep.model.timecode import parse_timecode
from stemprep.model.value_types import (
    CheckId,
    DropPath,
    FrameRateWord,
    GainDb,
    Initials,
    IsoDate,
    Isrc,
    Label,
    Meter,
    Notes,
    ProductCode,
    SamplePosition,
    Seconds,
    Sha256,
    Text,
    TimecodeText,
)
from stemprep.model.words import Role

MAX_SONGS = 500
MAX_TRACKS = 5_000
MAX_TEMPO_MARKS = 1_000
MAX_SECTIONS = 1_000
MAX_CREDITS = 500
SLOWEST_BPM = 3.58
"""A Standard MIDI File holds at most 16,777,215 microseconds a quarter note, 3.576 a minute."""

Bar = Annotated[int, Range(-100, 100_000)]
_Tick = Annotated[int, Range(0, 1 << 40)]
_QuarterUs = Annotated[int, Range(60_000, 0xFFFFFF)]
_Beats = Annotated[int, Range(1, 255)]
_NoteValue = Annotated[int, Range(1, 64)]
_MarkerText = Annotated[str, TextForm("text of at most 100 characters", 100)]
_MIDI_EVENTS = ItemCount(high=10_000)
Use = Literal["main", "alternate", "unused"]
RoomWork = Literal["edit", "tune", "replace"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TempoMark:
    """Tempo and meter from one bar on; ``is_ramp`` glides to the next mark's tempo.

    tempo_bpm: quarter notes a minute, whatever the meter.
    """

    bar: Annotated[Bar, Key("bar from which on it holds", 1)]
    tempo_bpm: Annotated[
        float | None,
        Range(SLOWEST_BPM, 1000),
        Key("quarter notes per minute, whatever the meter", 96.5),
    ] = None
    meter: Annotated[Meter | None, Key("time signature", "3/4")] = None
    is_ramp: Annotated[
        bool, Key("the tempo glides to that of the next entry that states one", False)
    ] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BarOne:
    """Where bar 1 begins: a timecode with its frame rate, or samples at the song's rate.

    samples: on the session's timeline, as time references count; from the start of the files where
             none of them has a time reference.
    """

    timecode: Annotated[TimecodeText | None, Key("timecode of bar 1", "01:00:08:00")] = None
    frame_rate: Annotated[
        FrameRateWord | None, Key("frames per second that the timecode counts", "25")
    ] = None
    samples: Annotated[
        SamplePosition | None,
        Key(
            "place of bar 1 in samples at the song's rate, as time references count; "
            "from the start of the files where none has a time reference",
            172_800_000,
        ),
    ] = None

    def contradiction(self) -> str | None:
        """Say what is said against each other; None where one place is given."""
        if (self.timecode is None) == (self.samples is None):
            return "give either timecode and frame_rate, or samples"
        if (self.timecode is None) != (self.frame_rate is None):
            return "timecode and frame_rate belong together; give both"
        if self.timecode is not None and self.frame_rate is not None:
            try:
                parse_timecode(self.timecode, self.frame_rate)
            except ValueError as error:
                return f"timecode: {self.timecode} {error}"
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of the song: what people call it, and the bar that it begins with."""

    name: Annotated[Text, Key("what the part is called", "Chorus 1")]
    bar: Annotated[Bar, Key("bar that it begins with", 17)]


@dataclass(frozen=True, slots=True, kw_only=True)
class MidiTempo:
    """What a dropped MIDI file says of tempo and meter; ticks rise, the first tick is bar 1.

    tempos:  (tick, microseconds a quarter note).
    meters:  (tick, beats, note value).
    markers: (tick, text).
    """

    ticks_per_quarter: Annotated[int, Range(1, 0x7FFF)]
    tempos: Annotated[tuple[tuple[_Tick, _QuarterUs], ...], _MIDI_EVENTS] = ()
    meters: Annotated[tuple[tuple[_Tick, _Beats, _NoteValue], ...], _MIDI_EVENTS] = ()
    markers: Annotated[tuple[tuple[_Tick, _MarkerText], ...], _MIDI_EVENTS] = ()

    def contradiction(self) -> str | None:
        """Say what no file could hold; None where nothing is wrong."""
        ticks = (
            [tick for tick, _ in self.tempos],
            [tick for tick, _, _ in self.meters],
            [tick for tick, _ in self.markers],
        )
        if any(each != sorted(each) for each in ticks):
            return "ticks do not rise"
        if any(unit & (unit - 1) for _, _, unit in self.meters):
            return "a note value is no power of two"
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkOrder:
    """Work a person orders by name on one track; the only source of flips, shifts and folds.

    invert_polarity, fold_mono, remove_dc: ordered or not.
    move_samples: shift on the session's timeline (positive: later); None where not ordered.
    undo_lag:     take out the lag that was measured when the file came back from another room.
    work:         what the other room was asked to do to the file: a change is then expected.
    move_reason:  why it is moved, where the move was not ordered in a sheet; "" where it was.
    is_from_start: the move counts from the song's common start, whatever the time reference says.
    undo_stretch: bring a file back to the session's speed, by the one that was measured.
    true_rate_hz: the rate at which its samples run in truth, whatever its header says; None where
                  the header is right.
    """

    invert_polarity: Annotated[bool, Key("flip the polarity", True)] = False
    fold_mono: Annotated[bool, Key("take one side of two equal sides", True)] = False
    remove_dc: Annotated[bool, Key("subtract a constant offset", True)] = False
    move_samples: Annotated[
        int | None,
        Range(-(10**9), 10**9),
        Key("shift on the timeline, samples; positive is later", -37),
    ] = None
    gain_db: Annotated[GainDb | None, Key("gain, dB", -1.5)] = None
    undo_lag: Annotated[bool, Key("take out the lag measured when it came back", True)] = False
    work: Annotated[
        tuple[RoomWork, ...], Key("asked of the other room: edit, tune, replace", "[edit]")
    ] = ()
    move_reason: str = ""
    is_from_start: bool = False
    undo_stretch: Annotated[
        bool, Key("bring it to the session's speed, as measured when it came back", True)
    ] = False
    true_rate_hz: Annotated[float | None, Range(1_000, 1_000_000)] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackNote:
    """What the sheet says of one file, or of all files that a pattern matches.

    pattern:  path relative to the drop, with ``*`` and ``?``; compared without regard to case.
    intended: words such as ``distorted``: what is meant to sound that way.
    chain:    equipment printed with the sound.
    pan:      -100 hard left to 100 hard right; level_db: fader level, 0 dB unity.
    order:    work ordered by a person.
    """

    pattern: Annotated[
        DropPath, Key("path in the drop, or a pattern with * and ?", "Kick*.wav", name="file")
    ]
    name: Annotated[Text | None, Key("what the track is called", "Kick in")] = None
    source: Annotated[Text | None, Key("what sounds", "kick drum")] = None
    microphone: Annotated[Text | None, Key("microphone and place", "small dynamic, inside")] = None
    role: Annotated[Role | None, Key("what the file is", "track")] = None
    group: Annotated[Label | None, Key("one word for all microphones of a source", "drums")] = None
    chain: Annotated[
        Text | None, Key("equipment printed with the sound", "valve preamp, slow compressor")
    ] = None
    pan: Annotated[float | None, Range(-100, 100), Key("-100 left to 100 right", -30)] = None
    level_db: Annotated[float | None, Range(-144, 24), Key("fader level, 0 is unity, dB", -6.0)] = (
        None
    )
    take: Annotated[Label | None, Key("take as the session names it", "4")] = None
    alternate_of: Annotated[
        DropPath | None, Key("file that this is another version of", "Vox.wav")
    ] = None
    pair_of: Annotated[
        DropPath | None, Key("file that is the other side of this one", "OH_R.wav")
    ] = None
    use: Annotated[Use, Key("main, alternate or unused", "main")] = "main"
    intended: Annotated[
        tuple[Text, ...], Key("what is meant to sound that way", '["distorted"]')
    ] = ()
    order: Annotated[WorkOrder, Key("work ordered on this file")] = WorkOrder()
    notes: Annotated[Notes | None, Key("anything else", "last chorus is the better one")] = None


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
    gap_s:             silence wanted after the song; None: not said.
    is_segue:          the song goes into the next one without a gap.
    """

    title: Annotated[Text, Key("title of the song", "Low Water")]
    folder: Annotated[
        DropPath | None, Key("folder of the drop that holds the song", "low_water")
    ] = None
    files: Annotated[
        tuple[DropPath, ...], Key("files of the song, where no folder holds them")
    ] = ()
    revision: Annotated[int | None, Range(0, 99), Key("the mixer's own number", 3)] = None
    working_title: Annotated[
        Text | None, Key("used in names and notices while unreleased", "Harbour 2")
    ] = None
    isrc: Annotated[Isrc | None, Key("recording code", "ZZ-ABC-26-00001")] = None
    bar_1: Annotated[BarOne | None, Key("where bar 1 begins")] = None
    count_in_bars: Annotated[int | None, Range(0, 16), Key("bars wanted before bar 1", 2)] = None
    tempo_map: Annotated[
        tuple[TempoMark, ...],
        ItemCount(high=MAX_TEMPO_MARKS),
        Key("tempo and meter, from bar to bar"),
    ] = ()
    tempo_file: Annotated[
        DropPath | None, Key("MIDI file of the drop with the tempo map", "low_water/map.mid")
    ] = None
    tempo_read: MidiTempo | None = None
    is_free_time: Annotated[bool, Key("played without a tempo: no click, no tempo map", False)] = (
        False
    )
    sections: Annotated[
        tuple[Section, ...],
        ItemCount(high=MAX_SECTIONS),
        Key("parts of the song and the bars they begin with"),
    ] = ()
    reference_mix: Annotated[
        DropPath | None, Key("the mix that the stems add up to", "low_water/MIX.wav")
    ] = None
    mix_bus_processed: Annotated[
        bool | None, Key("the mix went through processing that the stems did not", True)
    ] = None
    gain_db: Annotated[
        GainDb | None, Key("one common gain ordered for everything of the song, dB", -3.0)
    ] = None
    master_candidate: Annotated[
        DropPath | None, Key("the mix to make the master from", "low_water/MIX.wav")
    ] = None
    mix_bus_limited: Annotated[bool | None, Key("the mix went through a limiter", False)] = None
    fades: Annotated[Text | None, Key("fades wanted, in words", "out from 3:40, gone by 3:52")] = (
        None
    )
    gap_s: Annotated[Seconds | None, Key("silence wanted after the song, s", 2.0)] = None
    is_segue: Annotated[bool, Key("goes into the next song without a gap", False)] = False

    def contradiction(self) -> str | None:
        """Say what is said against each other; None where nothing is."""
        if not _do_rise(mark.bar for mark in self.tempo_map):
            return "tempo_map: the bars do not rise from entry to entry"
        stated = (bool(self.tempo_map), self.tempo_file is not None, self.is_free_time)
        if sum(stated) > 1:
            return "give only one of tempo_map, tempo_file and free_time"
        if not _do_rise(section.bar for section in self.sections):
            return "sections: the bars do not rise from entry to entry"
        if self.is_segue and self.gap_s:
            return "segue: the song cannot go into the next one and be followed by a gap; give one"
        return _tempo_fault(self.tempo_map)

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

    check: Annotated[CheckId, Key("check that is waived")]
    file: Annotated[DropPath, Key("path in the drop, or a pattern", "Gtr_Fuzz.wav")]
    reason: Annotated[Text, Key("why it may stay", "the amplifier is meant to clip")]
    initials: Annotated[Initials, Key("who signs", "MK")]
    date: Annotated[IsoDate, Key("when it was signed", "2026-03-14")]
    start_sample: Annotated[
        SamplePosition | None, Key("the range it holds for begins here", 48000)
    ] = None
    end_sample: Annotated[
        SamplePosition | None, Key("the range ends before this sample", 96000)
    ] = None
    limit: Annotated[
        float | None,
        Range(-1e9, 1e9),
        Key("largest value accepted, in the check's own unit", 12),
    ] = None
    audio_sha256: Annotated[
        Sha256 | None, Key("the sound it was signed for, as a report gives it")
    ] = None

    def contradiction(self) -> str | None:
        """Say what is said against each other; None where the range has a length."""
        if self.end_sample is not None and self.end_sample <= (self.start_sample or 0):
            return "end_sample: the range ends before it begins"
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSheet:
    """The whole sheet, as validated.

    delivery: number of this delivery; 1 where the sheet is silent.
    correction: why this delivery corrects the one before, for its first line.
    originals_back: the other room is to send every original back, not only what is new.
    upc:      product code of the record.
    due:      day on which the work is wanted back.
    wishes:   what the receiving room is asked to do, in words.
    credits:  who did what, a line each, as it is to be printed.
    is_unreleased: titles stay out of notices and logs.
    sha256:   of the sheet's bytes.
    warnings: lines about what was read but may not be meant, as problems are told.
    """

    sha256: str = ""
    artist: Annotated[Text | None, Key("who plays", "The Tidal Clerks")] = None
    artist_initials: Annotated[Initials | None, Key("for file names", "TC")] = None
    title: Annotated[Text | None, Key("title of the record or session", "Harbour Songs")] = None
    working_title: Annotated[
        Text | None, Key("used in names and notices while unreleased", "Project Buoy")
    ] = None
    is_unreleased: Annotated[bool, Key("titles stay out of notices and logs", True)] = False
    mixer_initials: Annotated[Initials | None, Key("for file names", "MK")] = None
    engineer: Annotated[Text | None, Key("who mixed or recorded", "M. Kestrel")] = None
    contact: Annotated[Text | None, Key("where questions go", "mix room, extension 12")] = None
    rights: Annotated[Text | None, Key("who holds the rights", "The Tidal Clerks")] = None
    date: Annotated[IsoDate | None, Key("day of the session", "2026-03-14")] = None
    delivery: Annotated[int | None, Range(1, 9999), Key("number of this delivery", 1)] = None
    correction: Annotated[
        Text | None, Key("why this delivery corrects the one before", "wrong take of the bass")
    ] = None
    originals_back: Annotated[
        bool, Key("every original is to come back, not only what is new", True)
    ] = False
    upc: Annotated[
        ProductCode | None, Key("product code of the record, 12 or 13 digits", "012345678905")
    ] = None
    due: Annotated[IsoDate | None, Key("day on which it is wanted back", "2026-04-01")] = None
    wishes: Annotated[
        Notes | None, Key("what the receiving room is asked to do", "as open as the mix")
    ] = None
    credits: Annotated[
        tuple[Text, ...],
        ItemCount(high=MAX_CREDITS),
        Key("who did what, as it is to be printed", '["Mixed by M. Kestrel"]'),
    ] = ()
    notes: Annotated[Notes | None, Key("anything else")] = None
    songs: Annotated[tuple[SongNote, ...], ItemCount(high=MAX_SONGS), Key("one entry a song")] = ()
    tracks: Annotated[
        tuple[TrackNote, ...], ItemCount(high=MAX_TRACKS), Key("one entry a file or pattern")
    ] = ()
    waivers: Annotated[
        tuple[Waiver, ...], ItemCount(high=MAX_TRACKS), Key("signed exceptions")
    ] = ()
    warnings: tuple[str, ...] = ()

    @property
    def open_title(self) -> str | None:
        """The title that may stand where people look who were not told it: in names of folders and
        on labels. While the session is unreleased the working title, None where there is none.
        """
        return self.working_title if self.is_unreleased else self.title


def _do_rise(bars: Iterable[int]) -> bool:
    return all(earlier < later for earlier, later in pairwise(bars))


def _tempo_fault(marks: tuple[TempoMark, ...]) -> str | None:
    """Refuse a list without a first tempo, and a glide that leads nowhere."""
    if marks and marks[0].tempo_bpm is None:
        return "tempo_map: the first entry gives no tempo_bpm"
    for index, mark in enumerate(marks):
        if mark.is_ramp and all(later.tempo_bpm is None for later in marks[index + 1 :]):
            return (
                f"tempo_map: the ramp at bar {mark.bar} has no later entry with a tempo_bpm "
                "to glide to"
            )
    return None
