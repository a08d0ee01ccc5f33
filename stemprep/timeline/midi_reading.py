"""Tempo, meter and markers out of a Standard MIDI File that somebody dropped.

Read are header, track chunks and meta events (RP-001, Standard MIDI Files 1.0); notes and all else
are passed over. Every count is limited, because the file is a stranger's.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field

from stemprep.model.sheet import MidiTempo

MAX_BYTES = 2_000_000
MAX_EVENTS = 10_000
MAX_MARKERS = 1_000
MAX_MARKER_CHARACTERS = 100
MAX_TICK = 1 << 40
_HEADER_BYTES = 14
_TEMPO, _METER, _MARKER, _END = 0x51, 0x58, 0x06, 0x2F
_META, _SYSEX = 0xFF, (0xF0, 0xF7)
_ONE_DATA_BYTE = (0xC0, 0xD0)
MIN_QUARTER_US = 60_000  # 1,000 quarter notes a minute, the most that a session sheet takes
_NOTE_VALUES = 6  # 2 ** 6: down to a 64th


@dataclass(slots=True)
class _Found:
    tempos: list[tuple[int, int]] = field(default_factory=list)
    meters: list[tuple[int, int, int]] = field(default_factory=list)
    markers: list[tuple[int, str]] = field(default_factory=list)


def read_midi_tempo(content: bytes) -> MidiTempo:
    """Give what a MIDI file says of tempo and meter; of one that breaks off, what was whole.

    Raises ValueError, in words that follow on the file's name, for what is no such file, counts in
    timecode instead of quarter notes, holds songs instead of tracks, no tempo, or too much.
    """
    if len(content) > MAX_BYTES:
        raise ValueError(f"has more than {MAX_BYTES:,} bytes; export the tempo map alone")
    if len(content) < _HEADER_BYTES or content[:4] != b"MThd":
        raise ValueError("is no Standard MIDI File; export the tempo map as one")
    header_bytes = int.from_bytes(content[4:8], "big")
    form, division = (int.from_bytes(content[at : at + 2], "big") for at in (8, 12))
    if form > 1:
        raise ValueError("holds several songs (format 2); export one song in format 0 or 1")
    if division & 0x8000 or not division:
        raise ValueError("counts in timecode, not in quarter notes, so that it knows no bars")
    found = _Found()
    at = 8 + header_bytes
    while at + 8 <= len(content):
        size = int.from_bytes(content[at + 4 : at + 8], "big")
        if content[at : at + 4] == b"MTrk":
            _Track(content[at + 8 : at + 8 + size], found).read()
        at += 8 + size
    if not found.tempos:
        raise ValueError("holds no tempo; export the tempo map, not only the notes")
    return MidiTempo(
        ticks_per_quarter=division,
        tempos=tuple(sorted(found.tempos, key=lambda event: event[0])),
        meters=tuple(sorted(found.meters, key=lambda event: event[0])),
        markers=tuple(sorted(found.markers, key=lambda event: event[0])),
    )


class _Track:
    """One track chunk, read event by event; it ends where its bytes do."""

    def __init__(self, content: bytes, found: _Found) -> None:
        self.content = content
        self.found = found
        self.at = 0
        self.tick = 0
        self.status = 0

    def read(self) -> None:
        """All events up to the end of the track, or to where it breaks off."""
        try:
            while self.at < len(self.content) and self._event():
                pass
        except IndexError:  # broken off inside an event
            return

    def _event(self) -> bool:
        self.tick += self._number()
        if self.tick > MAX_TICK:
            raise ValueError("is longer than any song")
        if self.content[self.at] & 0x80:
            self.status = self.content[self.at]
            self.at += 1
        if self.status == _META:
            kind = self.content[self.at]
            self.at += 1
            self._meta(kind, self._taken(self._number()))
            return kind != _END
        if self.status in _SYSEX:
            self._taken(self._number())
        elif self.status & 0x80:
            self.at += 1 if self.status & 0xF0 in _ONE_DATA_BYTE else 2
        else:
            raise IndexError  # data without a status before it: nothing after can be trusted
        return True

    def _number(self) -> int:
        """Variable-length quantity: seven bits a byte, at most four bytes."""
        value = 0
        for _ in range(4):
            byte = self.content[self.at]
            self.at += 1
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value
        raise IndexError

    def _taken(self, size: int) -> bytes:
        if self.at + size > len(self.content):
            raise IndexError
        self.at += size
        return self.content[self.at - size : self.at]

    def _meta(self, kind: int, data: bytes) -> None:
        found = self.found
        if kind == _TEMPO and len(data) == 3:
            quarter_us = int.from_bytes(data, "big")
            if quarter_us < MIN_QUARTER_US:
                raise ValueError("holds a tempo of over 1,000 quarter notes a minute")
            found.tempos.append((self.tick, quarter_us))
        elif kind == _METER and len(data) >= 2 and data[0] and data[1] <= _NOTE_VALUES:
            found.meters.append((self.tick, data[0], 1 << data[1]))
        elif kind == _MARKER and len(found.markers) < MAX_MARKERS:
            text = _plain(data)
            if text:
                found.markers.append((self.tick, text))
        if max(len(found.tempos), len(found.meters)) > MAX_EVENTS:
            raise ValueError(f"holds more than {MAX_EVENTS:,} changes of tempo or meter")


def _plain(data: bytes) -> str:
    """Give a marker's text in one line, without control characters; its coding is not stated."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    kept = (" " if unicodedata.category(c)[0] in "CZ" else c for c in text)
    return " ".join("".join(kept).split())[:MAX_MARKER_CHARACTERS]
