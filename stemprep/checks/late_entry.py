"""A new recording that does not lie where it was played.

Recorded through an interface whose delay nobody took out, or dragged a little in the session, a
take is late by the same amount from its first note to its last. Its time reference is well formed
and its name is right; only the mix that leaked from the headphones into the microphone shows it.

Measured: the lag at which the mix that was sent is found in the new file (phase transform of
blocks, averaged, 100 to 4,500 Hz, within 200 ms), told only where it stands out as no two unrelated
recordings do. A player who is laid back is not late: the leaked mix is on time whatever was
played. A microphone on something that the mix holds says nothing of lateness. Loudspeakers in the
room add the way of their sound. One lag that all new files share is that room's recording offset,
told once. Where nothing is found within 200 ms, the whole mix is searched, and a place that stands
out is looked at closely: it tells where a file begins that has no time reference, or a false one.
Limit: early or late by the spec's min_ms; up to max_room_ms late it may be the way from
loudspeakers and is a note, but for a leak farther under the take than min_room_leak_db, which comes
from headphones, and for one lag that several takes share to 0.25 ms, which is the room's converters
(all common practice, no source).
Passes: a guitar whose leaked mix is on time, however late it was strummed.
Fails: a guitar whose leaked mix is 1,200 samples late.
To do: order the move for that file by name when you accept the return, or ask the room to export it
again with its offset taken out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import severity_under, span
from stemprep.model.definition import Key, Range
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import speed_of_sound_m_s
from stemprep.model.reconciliation import NewFile, Returned
from stemprep.model.rule import Rule, RuleTable
from stemprep.units import clock_from_samples

ID = "late-entry"


@dataclass(frozen=True, slots=True, kw_only=True)
class LateEntryRule(Rule):
    """From when on a new file is out of time."""

    min_ms: Annotated[
        float, Range(0.1, 200), Key("a new file that is early or late by this is told, ms", 2.0)
    ]
    max_room_ms: Annotated[
        float,
        Range(0, 200),
        Key("up to here a lateness may be the way from loudspeakers, ms", 15.0),
    ]
    min_room_leak_db: Annotated[
        float,
        Range(-144, 0),
        Key("a leak farther under the take than this comes from headphones, dB", -40.0),
    ]


NATURE = Nature(
    scope="return",
    heading="New file out of time",
    files_are="late",
    concern="together",
    rule=LateEntryRule,
)


# Room temperature (common practice): only words about metres depend on it.
_ROOM_C = 20.0


def check(returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for all files that share a lag, and one for each other late file."""
    shared = set(() if returned.offset is None else returned.offset.files)
    together = [file for file in returned.new_files if file.file in shared]
    if together:
        yield from _told(together, returned, rules)
    for file in returned.new_files:
        if file.placed_by in ("spill", "same-source"):
            yield from _unstamped(file, rules)
        elif file.file not in shared:
            yield from _told([file], returned, rules)


def _told(files: Sequence[NewFile], returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    first = files[0]
    rule = rules.for_role(first.role)
    assert isinstance(rule, LateEntryRule), "the rule of late-entry"
    late, form = first.late_samples, first.session_format
    if late is None or form is None:
        return
    late_ms = 1000 * late / form.sample_rate_hz
    if abs(late_ms) < rule.min_ms:
        return
    is_faint = first.leak_db is not None and first.leak_db < rule.min_room_leak_db
    is_room_possible = 0 < late_ms <= rule.max_room_ms and not is_faint and len(files) == 1
    severity = severity_under(rule.severity, "note" if is_room_possible else "fail")
    if severity is None:
        return
    yield Finding(
        check=ID,
        severity=severity,
        message=_message(files, late, form.sample_rate_hz, is_room_possible=is_room_possible),
        advice=_advice(is_room_possible=is_room_possible),
        file=first.file if len(files) == 1 else None,
        files=tuple(file.file for file in files),
        song=first.song,
        found=late,
        required=0,
        unit="samples",
    )


def _unstamped(file: NewFile, rules: RuleTable) -> Iterator[Finding]:
    """A file that belongs elsewhere than at its own start, though nothing in it says so."""
    severity, form = rules.for_role(file.role).severity, file.session_format
    if severity == "off" or form is None or file.start_sample is None:
        return
    clock = clock_from_samples(max(0, file.start_sample), form.sample_rate_hz)
    yield Finding(
        check=ID,
        severity=severity,
        message=f"nothing in it says where it begins; by the mix in it that is at {clock} of the "
        f"session (sample {file.start_sample:,})",
        advice="Order the move when you accept the return (--move FILE).",
        file=file.file,
        files=(file.file,),
        song=file.song,
        found=file.start_sample,
        required=0,
        unit="samples",
    )


def _message(files: Sequence[NewFile], late: int, rate_hz: int, *, is_room_possible: bool) -> str:
    way = "late" if late > 0 else "early"
    found = f"{span(abs(late), rate_hz)} {way}, by the mix that leaked into"
    if len(files) > 1:
        start = f"all of them are {found} them: that room's recording offset"
    else:
        start = f"is {found} it (confidence {files[0].confidence:.2f})"
    if not is_room_possible:
        return start
    distance_m = late / rate_hz * speed_of_sound_m_s(_ROOM_C)
    return f"{start}; or loudspeakers {distance_m:.1f} m from the microphone, and nothing is late"


def _advice(*, is_room_possible: bool) -> str:
    if is_room_possible:
        return (
            "Ask the room whether it played over loudspeakers. If not, order the move when you "
            "accept the return (--move FILE)."
        )
    return (
        "Order the move when you accept the return (--move FILE), or ask the room for a new export "
        "with its recording offset taken out."
    )
