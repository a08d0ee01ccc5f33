"""One side of a stereo file is inverted: what is wide in stereo vanishes in mono.

A mis-wired lead, a polarity switch left in, a widener: on loudspeakers the sound has no place, and
wherever left and right are summed (a telephone, a club, a mono bus) most of it is gone.

Measured: the correlation of left and right in windows of a third of a second in which both sound
over -60 dBFS, in the full band and again with the treble raised; what the higher of the two stays
at or below for nine tenths of the time; and the level of the mono sum over the whole file.
Of a pair of microphones the low end alone tells it: below some 70 Hz a wave is longer than they
stand apart, and both sides move together; measured where both are loud there.
Limit: a correlation of -0.9 together with 6 dB lost in mono; or -0.6 in the low end, for half of
its loud time (common practice, no source; distant room microphones were seen at -0.5). Two
microphones on one source, also where one is inverted, differ in the treble and do not reach the
first; the second does not ask files named for a drum, an amplifier or both ends of one (snare,
kick, tom, bass, amp, DI, top, bottom): one of two microphones may well be turned over there.
A file named as mid and side (MS, M-S, Mid Side) is a note at most: its sides are no left and right.
Passes: a wide pad that reads -0.3; a snare's top and bottom microphone on two sides.
Fails: overheads of which the right side is the left one turned over; its mono sum is silent.
To do: find out which side is wrong and turn it at its source; nothing is flipped by itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, heard, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.facts import StereoFacts
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import LevelDb
from stemprep.model.words import Severity
from stemprep.units import SILENCE_DB

ID = "stereo-polarity"


@dataclass(frozen=True, slots=True, kw_only=True)
class StereoPolarityRule(Rule):
    """What an inverted side looks like: both limits must be met."""

    max_correlation: Annotated[
        float, Range(-1, 0), Key("lasting correlation at or below: one side is inverted", -0.9)
    ]
    max_mono_sum_change_db: Annotated[LevelDb, Key("and so much is lost in mono, dB", -6.0)]
    max_low_correlation: Annotated[
        float, Range(-1, 0), Key("or this in the low end: one side of a pair is inverted", -0.6)
    ]


NATURE = Nature(
    scope="file",
    heading="One side is inverted",
    files_are="with one side inverted",
    concern="flaw",
    rule=StereoPolarityRule,
)


_MID_AND_SIDE = re.compile(r"(?<![a-z])(m[ _&+/-]?s|mid[ _&+-]*side)(?![a-z])", re.IGNORECASE)


_TWO_MICROPHONES = re.compile(
    r"(?<![a-z])(snare|snr|sn|sd|kick|kik|bd|toms?|bass|amp|cab|cabinet|di|top|bot|bottom)(?![a-z])",
    re.IGNORECASE,
)


def check(file: MeasuredFile, rule: StereoPolarityRule) -> Iterator[Finding]:
    """Yield a finding when the sides are opposed for most of the time, or in the low end."""
    known = heard(file)
    if known is None or known[1].stereo is None:
        return
    name = PurePosixPath(file.path).stem
    own: Severity = "note" if _MID_AND_SIDE.search(name) else "fail"
    severity = severity_under(rule.severity, own)
    opposed = _opposed(known[1].stereo, rule) or _opposed_low(known[1].stereo, rule, name)
    if severity is None or opposed is None:
        return
    found, required, message = opposed
    yield about_file(
        file,
        ID,
        severity,
        message=message,
        advice="Find the side that is inverted and turn it at its source, or confirm that it is "
        "meant so.",
        found=found,
        required=required,
    )


def _opposed(stereo: StereoFacts, rule: StereoPolarityRule) -> tuple[float, float, str] | None:
    """Found, required and words where the sides stay opposed and lose each other in mono."""
    lasting, change = stereo.lasting_correlation, stereo.mono_sum_change_db
    if lasting is None or change is None:
        return None
    if lasting > rule.max_correlation or change > rule.max_mono_sum_change_db:
        return None
    lost = "nothing is left of it" if change == SILENCE_DB else f"it loses {-change:.1f} dB"
    message = (
        f"left and right are opposed: correlation {lasting:.2f} or lower for most of the "
        f"time, above {rule.max_correlation:.2f} expected; summed to mono, {lost}"
    )
    return lasting, rule.max_correlation, message


def _opposed_low(
    stereo: StereoFacts, rule: StereoPolarityRule, name: str
) -> tuple[float, float, str] | None:
    """The same where the low ends of a pair move against each other."""
    low = stereo.low_correlation
    if low is None or low > rule.max_low_correlation or _TWO_MICROPHONES.search(name):
        return None
    message = (
        f"left and right move against each other in the low end: correlation {low:.2f} or lower "
        f"for half of its loud time, above {rule.max_low_correlation:.2f} expected; the two sides "
        "of one pair move together there"
    )
    return low, rule.max_low_correlation, message
