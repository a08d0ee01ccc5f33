"""Time references that are missing, or that contradict the files they stand in.

The time reference is what puts a file back where it was recorded. Missing from some files, these
are placed by hand; wrong in one, it lands beside the beat. A stamp is evidence, no order: nothing
is moved because of it alone.

Measured: the time reference (bext, else iXML) of each file against the others of its song. A file
as long as the others that disagrees only in its stamp is told with both readings. A reference of 0
counts as none where other files have one. Only containers that can hold one are asked for it.
Where the file holds a signal that others hold sample for sample, the sound tells which reading is
the likelier.
Limit: all or none; present in every file where the spec requires it (common practice, no source).
Click, talkback, guides and rough mixes get a note at most. Where only few files have one, that is
a note about those few.
Passes: 24 files of equal length, all stamped 1:00:00.000; a mix and its stems without any stamp.
Fails: 23 files stamped 1:00:00.000 and one of the same length stamped 1:00:02.000.
To do: order a move in the sheet, `move_samples: 0` where the time reference is right (that settles
it), or export again with time stamps from the session.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from stemprep.checks.content_starts import placements_by_content
from stemprep.checks.heard import Heard, ceiling_in_set, is_same_time
from stemprep.checks.nature import Nature
from stemprep.checks.song import Song
from stemprep.checks.tell import about_files, count_of, severity_under, span
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule, RuleTable
from stemprep.model.words import Container, Severity
from stemprep.units import time_of_day_from_samples

ID = "time-reference"


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeReferenceRule(Rule):
    """Whether every file must carry one."""

    is_required: Annotated[bool, Key("every file must carry one", False)]


NATURE = Nature(
    scope="song",
    heading="Time reference contradicts",
    files_are="with another time reference",
    concern="together",
    rule=TimeReferenceRule,
)


_CAN_HOLD: frozenset[Container] = frozenset({"WAV", "RF64", "BW64"})


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield findings for stamps that are required, missing, or against the length."""
    have = song.stamped
    have_paths = {item.file.path for item in have}
    lacking = [item for item in song.compared if item.file.path not in have_paths]
    required = [item for item in lacking if _is_required(item, rules)]
    yield from _missing(required, rules, "a time reference is required and missing", have)
    others = [
        item
        for item in lacking
        if not _is_required(item, rules) and item.format.container in _CAN_HOLD
    ]
    if have and others:
        if len(others) <= len(have):
            text = f"no time reference, while {count_of(len(have), 'file')} of the song have one"
            yield from _missing(others, rules, text, have)
        else:
            yield from _few_have_one(have, others, rules)
    yield from _against_the_length(song, rules)


def _is_required(item: Heard, rules: RuleTable) -> bool:
    rule = rules.for_role(item.file.role)
    assert isinstance(rule, TimeReferenceRule)
    return rule.is_required and item.start_samples is None


def _severity(item: Heard, rules: RuleTable, own: Severity = "fail") -> Severity | None:
    role = item.file.role
    return severity_under(ceiling_in_set(rules.for_role(role).severity, role), own)


def _by_severity(
    items: list[Heard], rules: RuleTable, own: Severity = "fail"
) -> Iterator[tuple[Severity, list[Heard]]]:
    judged = [(_severity(item, rules, own), item) for item in items]
    for severity in dict.fromkeys(severity for severity, _ in judged if severity is not None):
        yield severity, [item for own_severity, item in judged if own_severity == severity]


def _missing(
    items: list[Heard], rules: RuleTable, message: str, have: tuple[Heard, ...]
) -> Iterator[Finding]:
    for severity, group in _by_severity(items, rules):
        yield about_files(
            [item.file for item in group],
            ID,
            severity,
            message=message,
            advice="Export again as Broadcast WAV with time stamps, or place it at the file start.",
            against=[item.file for item in have[:1]],
            required="a time reference",
        )


def _few_have_one(
    have: tuple[Heard, ...], others: list[Heard], rules: RuleTable
) -> Iterator[Finding]:
    text = f"carries a time reference, {count_of(len(others), 'file')} of the song do not"
    for severity, group in _by_severity(list(have), rules, "note"):
        yield about_files(
            [item.file for item in group],
            ID,
            severity,
            message=f"{text}: the song is lined up at the file starts",
            advice="Export every file with time stamps if they were recorded at different times.",
            against=[item.file for item in others],
        )


def _against_the_length(song: Song, rules: RuleTable) -> Iterator[Finding]:
    reference = song.common_start
    if reference is None or reference.start_s is None:
        return
    for item in song.stamped:
        start, severity = item.start_s, _severity(item, rules)
        is_settled = item.file.source.note is not None and (
            item.file.source.note.order.move_samples is not None
        )
        if severity is None or start is None or is_settled or not song.has_common_length(item):
            continue
        rates = item.format.sample_rate_hz, reference.format.sample_rate_hz
        if is_same_time(start, reference.start_s, *rates):
            continue
        yield about_files(
            [item.file],
            ID,
            severity,
            message=_both_readings(item, reference) + _by_its_sound(song, item),
            advice="Order a move in the sheet (0: the time reference is right); nothing moves.",
            against=[reference.file],
            found=item.start_samples,
            required=round(reference.start_s * item.format.sample_rate_hz),
            unit="samples",
        )


def _by_its_sound(song: Song, item: Heard) -> str:
    """Which of the readings the sound bears out, where it holds a signal that others hold too."""
    fitting = placements_by_content(song, item.file.path)
    if fitting == ["file-start"]:
        return "; its sound agrees with the others at the file start: the stamp looks wrong"
    if fitting == ["time-reference"]:
        return "; its sound agrees with the others at its time reference: the stamp looks right"
    return ""


def _both_readings(item: Heard, reference: Heard) -> str:
    rate_hz = item.format.sample_rate_hz
    own = time_of_day_from_samples(item.start_samples or 0, rate_hz)
    common = time_of_day_from_samples(reference.start_samples or 0, reference.format.sample_rate_hz)
    shift_s = (item.start_s or Fraction(0)) - (reference.start_s or Fraction(0))
    way = "later" if shift_s > 0 else "earlier"
    return (
        f"two readings: by its length the file starts with the others, by its time reference "
        f"({own}, theirs {common}) {span(round(abs(shift_s) * rate_hz), rate_hz)} {way}"
    )
