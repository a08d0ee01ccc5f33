"""Where a new file lies on the session's timeline, by what it says and by what leaked into it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from stemprep.model.header import AudioFormat
from stemprep.model.reconciliation import NewFile, Placing, RecordingOffset

_ASSUMED = "so it is taken to begin with the session"
_WITH_THEM = "so it begins with them"
SHARED_S = Fraction(1, 4_000)
"""Lags this near to each other are one lag: 12 samples at 48 kHz, what the measuring scatters."""
# Half a millisecond, twice what lags scatter: a smaller shared lag is none.
MIN_SHARED_S = Fraction(1, 2_000)
TAIL_S = 30
"""A take may run on after the session's end, or begin before its start (a pick-up)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """What new files of one song are held against.

    start_samples: of the delivered files since midnight, at their rate; None: they say nothing.
    frames:        how long the longest of them is.
    """

    form: AudioFormat
    start_samples: int | None
    frames: int

    @property
    def rate_hz(self) -> int:
        """The session's rate."""
        return self.form.sample_rate_hz

    def samples(self, seconds: Fraction) -> int:
        """Nearest sample of the session."""
        return round(seconds * self.rate_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """Where a file begins by its own word: seconds after the session's start, and why.

    assumed:       what is taken for its start; "" where the file says it.
    is_guess:      nothing bears that out: without the mix in it, where it begins is not known.
    is_miscounted: by a time reference that counts at the session's rate instead of its own.
    """

    start_s: Fraction
    placed_by: Placing
    words: str
    assumed: str = ""
    is_guess: bool = False
    is_miscounted: bool = False

    @property
    def basis(self) -> str:
        """What it says, and what follows where that is nothing."""
        return f"{self.words}, {self.assumed}" if self.assumed else self.words


def stated_start(
    form: AudioFormat, frames: int, time_reference: int | None, timeline: Timeline
) -> Stated:
    """Read a file's time reference against the session's; the file start where it says nothing.

    A time reference counts samples of the file's own rate (EBU Tech 3285). One that lies outside
    the session that way and inside it at the session's rate was counted at that rate. Without one,
    only a file exactly as long as the session's is known to begin with them: both were exported
    over one range.
    """
    start = timeline.start_samples
    if time_reference is None or (time_reference == 0 and start):
        said = "no time reference" if time_reference is None else "a time reference of zero"
        return _at_file_start(f"it has {said}", form, frames, timeline)
    if start is None:
        said = "the session has no time reference to hold its own against"
        return _at_file_start(said, form, frames, timeline)
    origin_s = Fraction(start, timeline.rate_hz)
    length_s = Fraction(frames, form.sample_rate_hz)
    own_s = Fraction(time_reference, form.sample_rate_hz) - origin_s
    if _is_inside(own_s, length_s, timeline):
        return Stated(start_s=own_s, placed_by="time-reference", words="by its time reference")
    other_s = Fraction(time_reference, timeline.rate_hz) - origin_s
    if form.sample_rate_hz != timeline.rate_hz and _is_inside(other_s, length_s, timeline):
        return Stated(
            start_s=other_s,
            placed_by="time-reference",
            words=f"by its time reference, which was counted at {timeline.rate_hz:,} Hz although "
            f"the file runs at {form.sample_rate_hz:,} Hz",
            is_miscounted=True,
        )
    return Stated(
        start_s=own_s,
        placed_by="unknown",
        words="its time reference lies outside the session",
    )


def _at_file_start(words: str, form: AudioFormat, frames: int, timeline: Timeline) -> Stated:
    is_whole = is_as_long(frames, form.sample_rate_hz, timeline)
    return Stated(
        start_s=Fraction(0),
        placed_by="file-start",
        words=f"{words}, but is exactly as long as the session's files" if is_whole else words,
        assumed=_WITH_THEM if is_whole else _ASSUMED,
        is_guess=not is_whole,
    )


def is_as_long(frames: int, rate_hz: int, timeline: Timeline) -> bool:
    """Tell whether a file lasts as long as the session's longest, to a sample of the slower."""
    apart_s = abs(Fraction(frames, rate_hz) - Fraction(timeline.frames, timeline.rate_hz))
    return apart_s < Fraction(1, min(rate_hz, timeline.rate_hz))


def _is_inside(start_s: Fraction, length_s: Fraction, timeline: Timeline) -> bool:
    end_s = Fraction(timeline.frames, timeline.rate_hz)
    return -length_s < start_s < end_s + TAIL_S


def shared_offset(files: Sequence[NewFile]) -> RecordingOffset | None:
    """The one lag of all takes whose lag is known, of two at least; None where there is none."""
    known = [file for file in files if file.late_samples is not None]
    forms = [file.session_format for file in known if file.session_format is not None]
    if len(known) < 2 or not forms:
        return None
    rate_hz = forms[0].sample_rate_hz
    lags = sorted(file.late_samples or 0 for file in known)
    middle = lags[len(lags) // 2]
    is_one = lags[-1] - lags[0] <= SHARED_S * rate_hz
    if not is_one or abs(middle) < MIN_SHARED_S * rate_hz:
        return None
    return RecordingOffset(samples=middle, files=tuple(file.file for file in known))
