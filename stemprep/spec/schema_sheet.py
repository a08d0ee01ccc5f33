"""The session sheet as written in YAML: keys, ranges, examples.

Keys are the fields of ``model/sheet.py``, without the ``is_`` of yes-or-no fields; a track's
``pattern`` is written ``file``.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from stemprep.model.rule import RULE_TYPES
from stemprep.model.sheet import RoomWork, Use
from stemprep.model.timecode import parse_timecode
from stemprep.model.words import NOT_WAIVABLE, Role
from stemprep.spec.schema_words import (
    DropPath,
    FrameRateWord,
    GainDb,
    Initials,
    IsoDate,
    Isrc,
    Label,
    Meter,
    Notes,
    SamplePosition,
    Sha256,
    Strict,
    Text,
    TimecodeText,
    may,
    must,
)

MAX_SONGS = 500
MAX_TRACKS = 5_000
MAX_TEMPO_MARKS = 1_000
MAX_SECTIONS = 1_000
SLOWEST_BPM = 3.58
"""A Standard MIDI File holds at most 16,777,215 microseconds a quarter note, 3.576 a minute."""
Bar = Annotated[int, Field(ge=-100, le=100_000)]
if TYPE_CHECKING:
    Waivable = str
else:  # a closed list that follows the registry; type checkers cannot read it
    Waivable = Literal[tuple(check for check in RULE_TYPES if check not in NOT_WAIVABLE)]


class TempoKeys(Strict):
    """Tempo and meter from one bar on."""

    bar: Bar = must("bar from which on it holds", 1)
    tempo_bpm: Annotated[float, Field(ge=SLOWEST_BPM, le=1000)] = may(
        "quarter notes per minute, whatever the meter", 96.5
    )
    meter: Meter = may("time signature", "3/4")
    ramp: bool = may("the tempo glides to that of the next entry that states one", False)


class BarOneKeys(Strict):
    """Where bar 1 begins: timecode and frame_rate, or samples."""

    timecode: TimecodeText = may("timecode of bar 1", "01:00:08:00")
    frame_rate: FrameRateWord = may("frames per second that the timecode counts", "25")
    samples: SamplePosition = may(
        "place of bar 1 in samples at the song's rate, as time references count; "
        "from the start of the files where none has a time reference",
        172_800_000,
    )

    @model_validator(mode="after")
    def _says_one_place(self) -> BarOneKeys:
        if (self.timecode is None) == (self.samples is None):
            raise ValueError("give either timecode and frame_rate, or samples")
        if (self.timecode is None) != (self.frame_rate is None):
            raise ValueError("timecode and frame_rate belong together; give both")
        if self.timecode is not None and self.frame_rate is not None:
            try:
                parse_timecode(self.timecode, self.frame_rate)
            except ValueError as error:
                raise ValueError(f"timecode: {self.timecode} {error}") from error
        return self


class SectionKeys(Strict):
    """A part of the song."""

    name: Text = must("what the part is called", "Chorus 1")
    bar: Bar = must("bar that it begins with", 17)


class SongKeys(Strict):
    """One song."""

    title: Text = must("title of the song", "Low Water")
    folder: DropPath = may("folder of the drop that holds the song", "low_water")
    files: tuple[DropPath, ...] = may("files of the song, where no folder holds them")
    revision: Annotated[int, Field(ge=0, le=99)] = may("the mixer's own number", 3)
    working_title: Text = may("used in names and notices while unreleased", "Harbour 2")
    isrc: Isrc = may("recording code", "ZZ-ABC-26-00001")
    bar_1: BarOneKeys = may("where bar 1 begins")
    count_in_bars: Annotated[int, Field(ge=0, le=16)] = may("bars wanted before bar 1", 2)
    tempo_map: Annotated[tuple[TempoKeys, ...], Field(max_length=MAX_TEMPO_MARKS)] = may(
        "tempo and meter, from bar to bar"
    )
    tempo_file: DropPath = may("MIDI file of the drop with the tempo map", "low_water/map.mid")
    free_time: bool = may("played without a tempo: no click, no tempo map", False)
    sections: Annotated[tuple[SectionKeys, ...], Field(max_length=MAX_SECTIONS)] = may(
        "parts of the song and the bars they begin with"
    )
    reference_mix: DropPath = may("the mix that the stems add up to", "low_water/MIX.wav")
    mix_bus_processed: bool = may("the mix went through processing that the stems did not", True)
    gain_db: GainDb = may("one common gain ordered for everything of the song, dB", -3.0)
    master_candidate: DropPath = may("the mix to make the master from", "low_water/MIX.wav")
    mix_bus_limited: bool = may("the mix went through a limiter", False)
    fades: Text = may("fades wanted, in words", "out from 3:40, gone by 3:52")

    @model_validator(mode="after")
    def _bars_rise(self) -> SongKeys:
        bars = [mark.bar for mark in self.tempo_map or ()]
        if any(later <= earlier for earlier, later in pairwise(bars)):
            raise ValueError("tempo_map: the bars do not rise from entry to entry")
        if self.tempo_map:
            _check_tempos(self.tempo_map)
        return self

    @model_validator(mode="after")
    def _tempo_stands_once(self) -> SongKeys:
        stated = (self.tempo_map is not None, self.tempo_file is not None, bool(self.free_time))
        if sum(stated) > 1:
            raise ValueError("give only one of tempo_map, tempo_file and free_time")
        return self

    @model_validator(mode="after")
    def _sections_rise(self) -> SongKeys:
        bars = [section.bar for section in self.sections or ()]
        if any(later <= earlier for earlier, later in pairwise(bars)):
            raise ValueError("sections: the bars do not rise from entry to entry")
        return self


def _check_tempos(marks: tuple[TempoKeys, ...]) -> None:
    """Refuse a list without a first tempo, and a glide that leads nowhere."""
    if marks[0].tempo_bpm is None:
        raise ValueError("tempo_map: the first entry gives no tempo_bpm")
    for index, mark in enumerate(marks):
        if mark.ramp and all(later.tempo_bpm is None for later in marks[index + 1 :]):
            raise ValueError(
                f"tempo_map: the ramp at bar {mark.bar} has no later entry with a tempo_bpm "
                "to glide to"
            )


class OrderKeys(Strict):
    """Work ordered by name; nothing is flipped, shifted or folded without it."""

    invert_polarity: bool = may("flip the polarity", True)
    fold_mono: bool = may("take one side of two equal sides", True)
    remove_dc: bool = may("subtract a constant offset", True)
    move_samples: Annotated[int, Field(ge=-(10**9), le=10**9)] = may(
        "shift on the timeline, samples; positive is later", -37
    )
    gain_db: GainDb = may("gain, dB", -1.5)
    undo_lag: bool = may("take out the lag measured when it came back", True)
    work: tuple[RoomWork, ...] = may("asked of the other room: edit, tune, replace", "[edit]")


class TrackKeys(Strict):
    """What is known of one file, or of all that a pattern matches."""

    file: DropPath = must("path in the drop, or a pattern with * and ?", "Kick*.wav")
    name: Text = may("what the track is called", "Kick in")
    source: Text = may("what sounds", "kick drum")
    microphone: Text = may("microphone and place", "small dynamic, inside")
    role: Role = may("what the file is", "track")
    group: Label = may("one word for all microphones of a source", "drums")
    chain: Text = may("equipment printed with the sound", "valve preamp, slow compressor")
    pan: Annotated[float, Field(ge=-100, le=100)] = may("-100 left to 100 right", -30)
    level_db: Annotated[float, Field(ge=-144, le=24)] = may("fader level, 0 is unity, dB", -6.0)
    take: Label = may("take as the session names it", "4")
    alternate_of: DropPath = may("file that this is another version of", "Vox.wav")
    pair_of: DropPath = may("file that is the other side of this one", "OH_R.wav")
    use: Use = may("main, alternate or unused", "main")
    intended: tuple[Text, ...] = may("what is meant to sound that way", '["distorted"]')
    order: OrderKeys = may("work ordered on this file")
    notes: Notes = may("anything else", "last chorus is the better one")


class WaiverKeys(Strict):
    """A person's signed exception."""

    check: Waivable = must("check that is waived")
    file: DropPath = must("path in the drop, or a pattern", "Gtr_Fuzz.wav")
    reason: Text = must("why it may stay", "the amplifier is meant to clip")
    initials: Initials = must("who signs", "MK")
    date: IsoDate = must("when it was signed", "2026-03-14")
    start_sample: SamplePosition = may("the range it holds for begins here", 48000)
    end_sample: SamplePosition = may("the range ends before this sample", 96000)
    limit: Annotated[float, Field(ge=-1e9, le=1e9)] = may(
        "largest value accepted, in the check's own unit", 12
    )
    audio_sha256: Sha256 = may("the sound it was signed for, as a report gives it")

    @model_validator(mode="after")
    def _range_has_length(self) -> WaiverKeys:
        if self.end_sample is not None and self.end_sample <= (self.start_sample or 0):
            raise ValueError("end_sample: the range ends before it begins")
        return self


class SheetKeys(Strict):
    """The session sheet, session.yaml in a drop."""

    artist: Text = may("who plays", "The Tidal Clerks")
    artist_initials: Initials = may("for file names", "TC")
    title: Text = may("title of the record or session", "Harbour Songs")
    working_title: Text = may("used in names and notices while unreleased", "Project Buoy")
    unreleased: bool = may("titles stay out of notices and logs", True)
    mixer_initials: Initials = may("for file names", "MK")
    engineer: Text = may("who mixed or recorded", "M. Kestrel")
    contact: Text = may("where questions go", "mix room, extension 12")
    rights: Text = may("who holds the rights", "The Tidal Clerks")
    date: IsoDate = may("day of the session", "2026-03-14")
    delivery: Annotated[int, Field(ge=1, le=9999)] = may("number of this delivery", 1)
    correction: Text = may("why this delivery corrects the one before", "wrong take of the bass")
    originals_back: bool = may("every original is to come back, not only what is new", True)
    notes: Notes = may("anything else")
    songs: Annotated[tuple[SongKeys, ...], Field(max_length=MAX_SONGS)] = may("one entry a song")
    tracks: Annotated[tuple[TrackKeys, ...], Field(max_length=MAX_TRACKS)] = may(
        "one entry a file or pattern"
    )
    waivers: Annotated[tuple[WaiverKeys, ...], Field(max_length=MAX_TRACKS)] = may(
        "signed exceptions"
    )
