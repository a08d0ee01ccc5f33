"""The session sheet as written in YAML: keys, ranges, examples.

Keys are the fields of ``model/sheet.py``, without the ``is_`` of yes-or-no fields; a track's
``pattern`` is written ``file``.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from stemprep.model.rule import RULE_TYPES
from stemprep.model.sheet import Use
from stemprep.model.words import NOT_WAIVABLE, Role
from stemprep.spec.schema_words import (
    DropPath,
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
    may,
    must,
)

MAX_SONGS = 500
MAX_TRACKS = 5_000
if TYPE_CHECKING:
    Waivable = str
else:  # a closed list that follows the registry; type checkers cannot read it
    Waivable = Literal[tuple(check for check in RULE_TYPES if check not in NOT_WAIVABLE)]


class TempoKeys(Strict):
    """Tempo and meter from one bar on."""

    bar: Annotated[int, Field(ge=-100, le=100_000)] = must("bar from which on it holds", 1)
    tempo_bpm: Annotated[float, Field(ge=1, le=1000)] = may("beats per minute", 96.5)
    meter: Meter = may("time signature", "3/4")
    ramp: bool = may("the tempo glides to that of the next entry", False)


class SongKeys(Strict):
    """One song."""

    title: Text = must("title of the song", "Low Water")
    folder: DropPath = may("folder of the drop that holds the song", "low_water")
    files: tuple[DropPath, ...] = may("files of the song, where no folder holds them")
    revision: Annotated[int, Field(ge=0, le=99)] = may("the mixer's own number", 3)
    working_title: Text = may("used in names and notices while unreleased", "Harbour 2")
    isrc: Isrc = may("recording code", "ZZ-ABC-26-00001")
    tempo_map: tuple[TempoKeys, ...] = may("tempo and meter, from bar to bar")
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
        return self


class OrderKeys(Strict):
    """Work ordered by name; nothing is flipped, shifted or folded without it."""

    invert_polarity: bool = may("flip the polarity", True)
    fold_mono: bool = may("take one side of two equal sides", True)
    remove_dc: bool = may("subtract a constant offset", True)
    move_samples: Annotated[int, Field(ge=-(10**9), le=10**9)] = may(
        "shift on the timeline, samples; positive is later", -37
    )
    gain_db: GainDb = may("gain, dB", -1.5)


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
    notes: Notes = may("anything else")
    songs: Annotated[tuple[SongKeys, ...], Field(max_length=MAX_SONGS)] = may("one entry a song")
    tracks: Annotated[tuple[TrackKeys, ...], Field(max_length=MAX_TRACKS)] = may(
        "one entry a file or pattern"
    )
    waivers: Annotated[tuple[WaiverKeys, ...], Field(max_length=MAX_TRACKS)] = may(
        "signed exceptions"
    )
