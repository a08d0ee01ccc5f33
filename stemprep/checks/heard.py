"""Files of which the sound is known, and what comparing them with each other takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from stemprep.checks.tell import word_name
from stemprep.model.facts import Sound
from stemprep.model.header import AudioFormat
from stemprep.model.session import MeasuredFile
from stemprep.model.words import LOOSE_ROLES, Ceiling, Role
from stemprep.units import length_after_conversion


@dataclass(frozen=True, slots=True)
class Heard:
    """A file of which format and sound are known."""

    file: MeasuredFile
    format: AudioFormat
    sound: Sound

    @property
    def seconds(self) -> Fraction:
        """Exact length."""
        return Fraction(self.sound.frames, self.format.sample_rate_hz)

    @property
    def start_samples(self) -> int | None:
        """Time reference at the file's own rate; None where it has none."""
        return self.file.facts.header.time_reference_samples

    @property
    def start_s(self) -> Fraction | None:
        """Exact time reference in seconds; None where it has none."""
        start = self.start_samples
        return None if start is None else Fraction(start, self.format.sample_rate_hz)


def ceiling_in_set(ceiling: Ceiling, role: Role) -> Ceiling:
    """Return the ceiling, lowered to a note for the roles that set no measure."""
    return "note" if role in LOOSE_ROLES and ceiling != "off" else ceiling


def measure_givers(compared: Sequence[Heard]) -> tuple[Heard, ...]:
    """Return those whose majority is the song's measure: without loose roles, unless all are.

    What the sheet calls an alternate is held to the measure and never sets it.
    """
    main = tuple(item for item in compared if item.file.source.use == "main")
    firm = tuple(item for item in main if item.file.role not in LOOSE_ROLES)
    return firm or main or tuple(compared)


def is_same_time(left: Fraction, right: Fraction, left_hz: int, right_hz: int) -> bool:
    """Tell whether two positions are one: exact at one rate, within a sample across rates."""
    gap = abs(left - right)
    return gap == 0 if left_hz == right_hz else gap < Fraction(1, min(left_hz, right_hz))


def frames_at(item: Heard, rate_hz: int) -> int:
    """Return the length at another rate, rounded up as conversion does."""
    return length_after_conversion(item.sound.frames, item.format.sample_rate_hz, rate_hz)


def word_of(item: Heard) -> tuple[int, str]:
    """Return word length and its name, so that 32-bit integer and float are told apart."""
    return item.format.bit_depth, word_name(item.format)
