"""SMPTE timecode: hours, minutes, seconds and frames, and the number of the frame they name.

SMPTE ST 12-1: at 29.97 frames a second, drop frame, the numbers 00 and 01 are left out at the start
of every minute but each tenth, so that the count follows the clock (3.6 ms a day remain).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, get_args

FrameRate = Literal["23.976", "24", "25", "29.97", "29.97-drop", "30"]
FRAME_RATES: tuple[FrameRate, ...] = get_args(FrameRate)
FRAMES_PER_SECOND: Mapping[FrameRate, Fraction] = {
    "23.976": Fraction(24_000, 1001),
    "24": Fraction(24),
    "25": Fraction(25),
    "29.97": Fraction(30_000, 1001),
    "29.97-drop": Fraction(30_000, 1001),
    "30": Fraction(30),
}
"""Exact frames a second."""

_COUNTED: Mapping[FrameRate, int] = {
    "23.976": 24,
    "24": 24,
    "25": 25,
    "29.97": 30,
    "29.97-drop": 30,
    "30": 30,
}
_DROPPED = 2  # numbers left out at the start of a minute
_DROP_MINUTE = 60 * 30 - _DROPPED
_DROP_TEN_MINUTES = 10 * _DROP_MINUTE + _DROPPED
_FORM = re.compile(r"([0-9]{2}):([0-9]{2}):([0-9]{2})([:;])([0-9]{2})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Timecode:
    """One frame of a day by its address; made by ``parse_timecode`` and ``timecode_of_frame``."""

    frame_rate: FrameRate
    hours: int
    minutes: int
    seconds: int
    frames: int

    def __str__(self) -> str:
        """``HH:MM:SS:FF``, drop frame ``HH:MM:SS;FF``."""
        sign = ";" if self.frame_rate == "29.97-drop" else ":"
        return f"{self.hours:02d}:{self.minutes:02d}:{self.seconds:02d}{sign}{self.frames:02d}"

    @property
    def frame_number(self) -> int:
        """Frames since 00:00:00:00."""
        minutes = 60 * self.hours + self.minutes
        counted = (60 * minutes + self.seconds) * _COUNTED[self.frame_rate] + self.frames
        if self.frame_rate == "29.97-drop":
            return counted - _DROPPED * (minutes - minutes // 10)
        return counted


def parse_timecode(text: str, frame_rate: FrameRate) -> Timecode:
    """Read ``HH:MM:SS:FF``; drop frame may be written with ``;`` before the frames.

    Raises ValueError, in words that follow on the text, for what names no frame of a day.
    """
    match = _FORM.fullmatch(text)
    if match is None:
        raise ValueError("is not of the form HH:MM:SS:FF (for example 01:00:00:00)")
    hours, minutes, seconds, frames = (int(match[group]) for group in (1, 2, 3, 5))
    if hours > 23 or minutes > 59 or seconds > 59:
        raise ValueError("is no time of a day: hours end at 23, minutes and seconds at 59")
    if frames >= _COUNTED[frame_rate]:
        last = _COUNTED[frame_rate] - 1
        raise ValueError(f"has frame {frames}; at {frame_rate} frames a second they end at {last}")
    is_drop = frame_rate == "29.97-drop"
    if match[4] == ";" and not is_drop:
        raise ValueError(f"is written as drop frame (;), but the frame rate is {frame_rate}")
    if is_drop and frames < _DROPPED and seconds == 0 and minutes % 10:
        raise ValueError(
            "does not exist in drop frame: frames 00 and 01 of this minute are left out"
        )
    return Timecode(
        frame_rate=frame_rate, hours=hours, minutes=minutes, seconds=seconds, frames=frames
    )


def timecode_of_frame(frame_number: int, frame_rate: FrameRate) -> Timecode:
    """Address of a frame; beyond 24 hours the count begins again, before zero it comes from there.

    Drop frame: SMPTE ST 12-1, the inverse of leaving out two numbers a minute but each tenth.
    """
    number = frame_number
    counted = _COUNTED[frame_rate]
    if frame_rate == "29.97-drop":
        number %= 144 * _DROP_TEN_MINUTES
        tens, rest = divmod(number, _DROP_TEN_MINUTES)
        minutes_passed = max(0, rest - _DROPPED) // _DROP_MINUTE
        number += _DROPPED * (9 * tens + minutes_passed)
    seconds, frames = divmod(number % (24 * 3600 * counted), counted)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return Timecode(
        frame_rate=frame_rate, hours=hours, minutes=minutes, seconds=seconds, frames=frames
    )
