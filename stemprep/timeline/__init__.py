"""Bars, tempo and timecode: where the music lies on a session's timeline, to the sample."""

from stemprep.timeline.building import map_of_marks, map_of_midi
from stemprep.timeline.midi_reading import MAX_BYTES, read_midi_tempo
from stemprep.timeline.midi_writing import MapTrack, Marker, write_midi
from stemprep.timeline.song_timeline import MAX_BEFORE_S, SongTimeline, timeline_of_song
from stemprep.timeline.tempo_map import BarBeat, MeterSpan, TempoMap, TempoSpan
from stemprep.timeline.tempo_words import Change, changes_between
from stemprep.timeline.timecode import nearest_sample, sample_of_timecode, timecode_of_sample

MAX_MIDI_BYTES = MAX_BYTES

__all__ = [
    "MAX_BEFORE_S",
    "MAX_MIDI_BYTES",
    "BarBeat",
    "Change",
    "MapTrack",
    "Marker",
    "MeterSpan",
    "SongTimeline",
    "TempoMap",
    "TempoSpan",
    "changes_between",
    "map_of_marks",
    "map_of_midi",
    "nearest_sample",
    "read_midi_tempo",
    "sample_of_timecode",
    "timecode_of_sample",
    "timeline_of_song",
    "write_midi",
]
