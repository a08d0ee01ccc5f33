"""What a file says about itself contradicts its sound, or another part of the same file.

Programs believe different parts: one goes by the bext, the next by the iXML. Where the two differ,
the same file lands at two places, under two rates or with two sets of channels; nobody sees why.

Measured: the time references of bext and iXML against each other; rate, word length and number of
tracks in the iXML against the sound; dates and times that no calendar has; the loudness fields of
the bext against the measured loudness; markers and loops behind the end; channels and track UIDs
of chna and axml (Audio Definition Model) against each other and the file; the last rate of the
coding history.
Limit: equal, for what is stated. Loudness by what two meters that meet the standard may differ:
0.2 LU (EBU Tech 3341: each 0.1), loudness range 2 LU (EBU Tech 3342: each 1), true peak 0.6 dB (EBU
Tech 3341: +0.2 to -0.4 each). Most programs place a file by the bext and take rate and word length
from the format chunk (common practice, no source).
Passes: bext and iXML both say 1:00:00.000; a bext without loudness fields.
Fails: an iXML of 44.1 kHz and 16 bits in a 48 kHz, 24-bit file; a date of 2131-13-40.
To do: ask where the file was made which one holds; export it again, or let deliver write a copy
whose parts agree.
"""

from __future__ import annotations

import calendar
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, count_of, listed, rate_name, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.facts import Sound
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat, Bext, Header, Ixml
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.units import time_of_day_from_samples

ID = "metadata"


@dataclass(frozen=True, slots=True, kw_only=True)
class MetadataRule(Rule):
    """How far stated loudness may be from measured."""

    max_loudness_error_lu: Annotated[
        float, Range(0, 20), Key("loudness fields may be off by this, LU", 0.2)
    ]
    max_range_error_lu: Annotated[
        float, Range(0, 20), Key("a stated loudness range may be off by this, LU", 2.0)
    ]
    max_peak_error_db: Annotated[
        float, Range(0, 20), Key("a stated true peak may be off by this, dB", 0.6)
    ]


NATURE = Nature(
    scope="file",
    heading="Metadata contradicts",
    files_are="with metadata that contradict",
    concern="label",
    rule=MetadataRule,
)

_FIRST_YEAR = 1877  # of any recorded sound
_LAST_YEAR = 2099  # later ones are slips of a clock or a key
# EBU Tech 3285, 2.4: year, month, day; hour, minute, second; any of these characters between them
_DATE = re.compile(r"(\d{4})[-_:. ](\d{2})[-_:. ](\d{2})")
_TIME = re.compile(r"(\d{2})[-_:. ](\d{2})[-_:. ](\d{2})")
_HISTORY_RATE = re.compile(r"\bF=(\d{4,6})\b")
_MOST_TOLD = 5  # contradictions of one file that a message spells out


def check(file: MeasuredFile, rule: MetadataRule) -> Iterator[Finding]:
    """Yield one finding for all contradictions of a file."""
    form, severity = file.facts.format, severity_under(rule.severity, "warn")
    if form is None or severity is None:
        return
    header = file.facts.header
    told = [
        *_times(header, form),
        *_format(header.ixml, form),
        *_dates(header),
        *_loudness(header.bext, file.facts.sound, rule),
        *_places(header, file.facts.frames),
        *_adm(header, form),
        *_history(header.bext, form),
    ]
    if not told:
        return
    more = f"; and {len(told) - _MOST_TOLD} more" if len(told) > _MOST_TOLD else ""
    yield about_file(
        file,
        ID,
        severity,
        message="; ".join(told[:_MOST_TOLD]) + more,
        advice="Ask where it was made which one holds, and export it again with parts that agree.",
        found=len(told),
        required=0,
        unit="contradictions",
    )


def _times(header: Header, form: AudioFormat) -> Iterator[str]:
    bext, ixml = header.bext, header.ixml
    if bext is None or ixml is None or ixml.time_reference_samples is None:
        return
    first, second = bext.time_reference_samples, ixml.time_reference_samples
    if first != second:
        clocks = [time_of_day_from_samples(each, form.sample_rate_hz) for each in (first, second)]
        yield (
            f"the bext says that it starts at {clocks[0]}, the iXML at {clocks[1]} "
            f"({first:,} and {second:,} samples): most programs go by the bext"
        )


def _format(ixml: Ixml | None, form: AudioFormat) -> Iterator[str]:
    """What the iXML says of rate, word and channels; a file of a set may describe the whole set."""
    if ixml is None:
        return
    if ixml.file_rate_hz not in (None, 0, form.sample_rate_hz):
        yield (
            f"the iXML says {rate_name(ixml.file_rate_hz)}, the format "
            f"{rate_name(form.sample_rate_hz)}: most programs go by the format"
        )
    if ixml.bit_depth not in (None, 0, form.bit_depth, form.container_bits):
        yield f"the iXML says {ixml.bit_depth} bits, the format {form.bit_depth}"
    is_of_a_set = (ixml.files_of_set or 1) > 1
    counted = ixml.track_count
    if counted not in (None, 0, form.channels) and not is_of_a_set:
        yield (
            f"the iXML lists {count_of(counted, 'track')}, the file has "
            f"{count_of(form.channels, 'channel')}"
        )
    elif counted is not None and ixml.tracks and counted != len(ixml.tracks):
        yield f"the iXML counts {count_of(counted, 'track')} and names {len(ixml.tracks)}"


def _dates(header: Header) -> Iterator[str]:
    if header.bext is not None:
        if not _is_date(header.bext.origination_date):
            yield f"the bext was made on a day that is none: {header.bext.origination_date}"
        if not _is_time(header.bext.origination_time):
            yield f"the bext was made at a time that is none: {header.bext.origination_time}"
    created = dict(header.info).get("ICRD", "")
    if not _is_date(created):
        yield f"the INFO list was made on a day that is none: {created}"


def _is_date(text: str) -> bool:
    """Tell whether a date can be; zeros and whatever is no date at all say nothing."""
    match = _DATE.fullmatch(text.strip())
    if match is None:
        return True
    year, month, day = map(int, match.groups())
    if (year, month, day) == (0, 0, 0):
        return True
    if not (_FIRST_YEAR <= year <= _LAST_YEAR and 1 <= month <= 12):
        return False
    return 1 <= day <= calendar.monthrange(year, month)[1]


def _is_time(text: str) -> bool:
    match = _TIME.fullmatch(text.strip())
    if match is None:
        return True
    hour, minute, second = map(int, match.groups())
    return hour < 24 and minute < 60 and second <= 60


def _loudness(bext: Bext | None, sound: Sound | None, rule: MetadataRule) -> Iterator[str]:
    """The fields of version 2 against what was measured, where both say something."""
    if bext is None or sound is None or _is_left_at_zero(bext):
        return
    loud = sound.loudness
    level, span, peak = rule.max_loudness_error_lu, rule.max_range_error_lu, rule.max_peak_error_db
    measured_range = loud.loudness_range_lu if loud.is_range_meaningful else None
    for name, stated, measured, most, unit in (
        ("loudness", bext.loudness_lufs, loud.loudness_lufs, level, "LUFS"),
        ("loudness range", bext.loudness_range_lu, measured_range, span, "LU"),
        ("true peak", bext.max_true_peak_dbtp, sound.level.true_peak_dbtp, peak, "dBTP"),
        ("momentary loudness", bext.max_momentary_lufs, loud.max_momentary_lufs, level, "LUFS"),
        ("short-term loudness", bext.max_short_term_lufs, loud.max_short_term_lufs, level, "LUFS"),
    ):
        # 0.005: the field holds hundredths
        if stated is not None and measured is not None and abs(stated - measured) > most + 0.005:
            yield f"the bext says {stated:.1f} {unit} ({name}), measured {measured:.1f}"


def _is_left_at_zero(bext: Bext) -> bool:
    """Tell of a writer that calls itself version 2 and knows no loudness."""
    return not any(
        (
            bext.loudness_lufs,
            bext.loudness_range_lu,
            bext.max_true_peak_dbtp,
            bext.max_momentary_lufs,
            bext.max_short_term_lufs,
        )
    )


def _places(header: Header, frames: int) -> Iterator[str]:
    behind = [cue for cue in header.cues if cue.position_samples > frames]
    if behind and frames:
        yield (
            f"{count_of(len(behind), 'marker')} of {len(header.cues)} behind the end: the first at "
            f"sample {behind[0].position_samples:,} of {frames:,}"
        )
    loops = [loop for loop in header.loops if loop.last_sample >= frames]
    if loops and frames:
        yield (
            f"{count_of(len(loops), 'loop')} of {len(header.loops)} behind the end: the first ends "
            f"at sample {loops[0].last_sample:,} of {frames:,}"
        )


def _adm(header: Header, form: AudioFormat) -> Iterator[str]:
    """Track UIDs of chna against the channels, and against those that axml defines."""
    tracks = header.adm_tracks
    if not tracks:
        if header.adm_uids:
            yield f"the axml defines {count_of(len(header.adm_uids), 'track UID')}, no chna has any"
        return
    outside = sorted({track.channel for track in tracks if track.channel > form.channels})
    if outside:
        yield (
            f"the chna names channel {listed([str(each) for each in outside])}, the file has "
            f"{count_of(form.channels, 'channel')}"
        )
    bare = sorted(set(range(1, form.channels + 1)) - {track.channel for track in tracks})
    if bare:
        yield f"the chna has no track UID for channel {listed([str(each) for each in bare])}"
    if header.adm_uids is None:
        return
    in_chna = {track.uid for track in tracks}
    undefined = sorted(in_chna - set(header.adm_uids))
    unused = sorted(set(header.adm_uids) - in_chna)
    if undefined:
        yield f"the axml does not define {listed(undefined)}, which the chna names"
    if unused:
        yield f"the chna gives no channel to {listed(unused)}, which the axml defines"


def _history(bext: Bext | None, form: AudioFormat) -> Iterator[str]:
    lines = [] if bext is None else [line for line in bext.coding_history.splitlines() if line]
    match = _HISTORY_RATE.search(lines[-1]) if lines else None
    if match is not None and int(match.group(1)) != form.sample_rate_hz:
        yield (
            f"the coding history ends with {rate_name(int(match.group(1)))}, the format says "
            f"{rate_name(form.sample_rate_hz)}"
        )
