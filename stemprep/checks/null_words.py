"""A null test in plain words: what does not add up, by how much, where."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stemprep.checks.tell import listed, rate_name
from stemprep.model.null_test import NullCause, NullTest, Obstacle, UntestedSum
from stemprep.model.session import MeasuredFile
from stemprep.naming import file_name
from stemprep.units import clock_from_samples

_BUS_ADVICE = (
    "If the mix bus is processed on purpose, say so in the session sheet (mix_bus_processed); else "
    "print stems and mix through one bus."
)
_UNKNOWN_ADVICE = (
    "Compare the mix with the stems' sum where the difference is loudest; if the mix bus is "
    "processed, print stems and mix through one bus."
)
_OTHER_MIX_ADVICE = "Look for the mix of this song and version; no stem of this set is in this one."
_ALSO_IN_ADVICE = "Export {} again without what other files hold."
_FILE_ADVICE = "Export {} again from the session of the mix, over the same range."
_NAMED_SPANS = 3  # of one change that a message spells out
_MISSING_ADVICE = (
    "Look for a stem that was not exported, or for an effect return that only the mix has."
)


UNTESTED_ADVICE: dict[Obstacle, str] = {
    "sample-rate": "Export stems and mix from one session at one rate; converted files no longer "
    "null.",
    "channels": "Export the stems with as many channels as the mix, or in mono.",
    "not-readable": "Export the named file again; the stems are tested when all of them can be "
    "read.",
}


def untested_words(untested: UntestedSum, odd: Sequence[MeasuredFile], mix: MeasuredFile) -> str:
    """Why stems and mix were not compared."""
    begin = "the stems were not summed against the mix"
    ours, theirs = odd[0].facts.format, mix.facts.format
    if untested.obstacle == "not-readable" or ours is None or theirs is None:
        return f"{begin}: not all of them can be read"
    if untested.obstacle == "sample-rate":
        rates = listed(sorted({rate_name(rate) for rate in _rates(odd)}))
        return f"{begin}: {rates} here, {rate_name(theirs.sample_rate_hz)} there"
    return f"{begin}: {ours.channels} channels here, {theirs.channels} there"


def _rates(files: Sequence[MeasuredFile]) -> Iterator[int]:
    for file in files:
        if file.facts.format is not None:
            yield file.facts.format.sample_rate_hz


def residual_words(test: NullTest) -> str:
    """``residual -128.9 dBFS peak, -141.0 RMS``."""
    return f"residual {test.residual_peak_dbfs:.1f} dBFS peak, {test.residual_rms_dbfs:.1f} RMS"


def verdict_words(test: NullTest) -> str:
    """One line for the summary: ``adds up to the mix: residual ...``."""
    gain = f" with {abs(test.gain_db):.2f} dB common gain" if abs(test.gain_db) >= 0.005 else ""
    if test.verdict == "exact":
        return f"{len(test.stems)} stems add up to the mix exactly{gain}"
    if test.verdict == "word-length":
        return f"{len(test.stems)} stems add up to the mix{gain}: {residual_words(test)}"
    return f"{len(test.stems)} stems do not add up to the mix: {residual_words(test)}"


def message_of(test: NullTest) -> str:
    """What the finding says."""
    found = (
        f"the stems do not add up to the mix: {residual_words(test)}; their word lengths would "
        f"leave {test.limit_rms_dbfs:.1f} RMS"
    )
    told = [cause_words(cause, test.sample_rate_hz) for cause in test.causes]
    return ". ".join([found, *(text[0].upper() + text[1:] for text in told)])


def advice_of(test: NullTest) -> str:
    """What to do about it."""
    printed_twice = {cause.file for cause in test.causes if cause.kind == "also-in"} - {None}
    files = {cause.file for cause in test.causes} - {None} - printed_twice
    told = [
        words.format(" and ".join(sorted(file_name(path) for path in paths if path)))
        for words, paths in ((_FILE_ADVICE, files), (_ALSO_IN_ADVICE, printed_twice))
        if paths
    ]
    if any(cause.kind == "missing-stem" for cause in test.causes):
        told.append(_MISSING_ADVICE)
    if told:
        return " ".join(told)
    if any(cause.has_no_stem for cause in test.causes):
        return _OTHER_MIX_ADVICE
    if any(cause.kind == "bus-dynamics" for cause in test.causes):
        return _BUS_ADVICE
    return _UNKNOWN_ADVICE


def cause_words(cause: NullCause, rate_hz: int) -> str:
    """One cause with its numbers and times, and its equal alternatives."""
    told = _plain_words(cause, rate_hz) + _times(cause, rate_hz)
    others = [_plain_words(each, rate_hz) + _times(each, rate_hz) for each in cause.alternatives]
    either = f", or equally well: {'; or: '.join(others)}" if others else ""
    return told + either


def _plain_words(cause: NullCause, rate_hz: int) -> str:
    name = "" if cause.file is None else file_name(cause.file)
    if cause.kind == "level":
        assert cause.gain_db is not None, "a level cause has a gain"
        way = "louder" if cause.gain_db > 0 else "quieter"
        return f"{name} is {_db(abs(cause.gain_db))} {way} than its part in the mix"
    if cause.kind == "moved":
        assert cause.lag_samples is not None, "a moved file has a lag"
        way = "late" if cause.lag_samples > 0 else "early"
        lag = abs(cause.lag_samples)
        number = f"{lag:.0f}" if lag == round(lag) else f"{lag:.2f}"
        return f"{name} is {number} samples ({lag / rate_hz * 1000:.2f} ms) {way}"
    if cause.kind == "inverted":
        return f"{name} is inverted in polarity"
    if cause.kind == "not-in-mix":
        return f"{name} is not in the mix"
    if cause.kind == "cut-short":
        return f"{name} is silent where its part in the mix goes on"
    if cause.kind == "pan":
        return _pan_words(name, cause)
    if cause.kind == "also-in":
        return _also_in_words(name, cause, rate_hz)
    if cause.kind in ("foreign", "older"):
        return _foreign_words(name, cause, rate_hz)
    if cause.kind == "codec":
        return f"{name} went through a lossy codec: only its coding noise is left{_sound(cause)}"
    return _nobody_words(cause)


def _also_in_words(name: str, cause: NullCause, rate_hz: int) -> str:
    assert cause.contains is not None, "what is printed twice has a file of its own"
    assert cause.gain_db is not None, "a copy has a level"
    told = f"{name} holds {file_name(cause.contains)} besides its own sound"
    told += f", at {cause.gain_db:+.2f} dB" if abs(cause.gain_db) >= 0.005 else ", at its level"
    lag = cause.lag_samples or 0.0
    if lag:
        way = "late" if lag > 0 else "early"
        told += f" and {abs(lag):.0f} samples ({abs(lag) / rate_hz * 1000:.2f} ms) {way}"
    return f"{told}: it is in the sum twice"


def _foreign_words(name: str, cause: NullCause, rate_hz: int) -> str:
    sound = f"another sound in its place{_sound(cause)}"
    if cause.kind == "foreign":
        return (
            f"{name} is not in the mix, which holds {sound}: the file is of another song, take or "
            "version"
        )
    same = [_span_words(*span, rate_hz) for span in cause.same_spans[:_NAMED_SPANS]]
    where = f", as in the mix {listed(same)}" if same else ""
    return f"{name} is another version of its part{where}; elsewhere the mix holds {sound}"


def _pan_words(name: str, cause: NullCause) -> str:
    if cause.is_swapped:
        return f"{name} has left and right exchanged"
    gains = ", ".join(
        "none" if gain is None else f"{gain:+.2f} dB" for gain in cause.channel_gains_db
    )
    return f"{name} is panned otherwise than in the mix" + (
        f" (by channel: {gains})" if gains else ""
    )


def _nobody_words(cause: NullCause) -> str:
    if cause.kind == "missing-stem":
        return f"the mix holds something that no stem has{_sound(cause)}"
    left = "" if cause.left_dbfs is None else _distance(cause.left_dbfs)
    if cause.kind == "bus-dynamics" and cause.process == "equaliser":
        return f"the mix bus seems to hold an equaliser{left}"
    if cause.kind == "bus-dynamics" and cause.gain_range_db is not None:
        low, high = cause.gain_range_db
        return f"the mix bus seems to change level over time, by {low:+.1f} to {high:+.1f} dB{left}"
    if cause.has_no_stem:
        return f"the mix holds none of the stems: it is of another song or version{_sound(cause)}"
    beside = f", while {listed([file_name(path) for path in cause.sounding])} sound"
    return (
        f"not explained: no file accounts for it{_sound(cause)}{beside if cause.sounding else ''}"
    )


def _distance(left_dbfs: float) -> str:
    """How far a reading is from being proven."""
    return f"; with that undone {left_dbfs:.1f} dBFS RMS is left where it is loudest, not explained"


def _sound(cause: NullCause) -> str:
    if cause.level_dbfs is None or cause.centre_hz is None:
        return ""
    return f" ({cause.level_dbfs:.1f} dBFS RMS, centred at {cause.centre_hz:.0f} Hz)"


def _times(cause: NullCause, rate_hz: int) -> str:
    if cause.start_sample is None or cause.end_sample is None:
        return ""
    return f" {_span_words(cause.start_sample, cause.end_sample, rate_hz)}"


def _span_words(start: int, end: int, rate_hz: int) -> str:
    begin, until = (clock_from_samples(max(place, 0), rate_hz) for place in (start, end))
    return f"from {begin} to {until}"


def _db(value: float) -> str:
    return f"{value:.2f} dB" if value >= 0.1 else f"{value:.4f} dB"
