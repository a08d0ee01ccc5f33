"""A new recording that does not run at the session's speed.

Two devices that share no word clock run apart by up to some tens of parts in a million; a pull-down
by 1,001 to 1,000 or a header with the wrong rate by far more. Laid at its start such a take is in
time there and beside the beat at its end, and no move can cure it.

Measured: the mix that leaked into the take, block by block, with a drift of up to 300 ppm allowed
for; then with the speeds undone that a slip of the trade gives (1.001, 25/24, another usual rate).
Where no mix is found, by its length alone: exactly as long as the session at one of these speeds.
Limit: from its first to its last sound it must not run away by min_ms (common practice, no source);
less is a note.
Passes: a vocal of four minutes whose leaked mix is as late at its end as at its start.
Fails: a guitar that lasts 1.001 times as long as what it was played to.
To do: ask the room for its clock and sample rate and for a new export; or order the speed to be
undone when you accept the return: order: {undo_stretch: true} in a session.yaml in the return.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import rate_name, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import NewFile, Returned, SpeedCause, TakeSpeed
from stemprep.model.rule import Rule, RuleTable

ID = "wrong-speed"


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongSpeedRule(Rule):
    """From when on a take runs away from the session."""

    min_ms: Annotated[
        float,
        Range(0.1, 200),
        Key("a new file that runs away by less over its length is a note, ms", 2.0),
    ]


NATURE = Nature(
    scope="return",
    heading="New file at another speed",
    files_are="at another speed",
    concern="together",
    rule=WrongSpeedRule,
)
_CAUSES: Mapping[SpeedCause, str] = {
    "clock": "likeliest two devices without a common word clock",
    "pull": "likeliest a pull-down or pull-up between 1,000 and 1,001",
    "film": "likeliest a change between 24 and 25 frames a second",
    "unknown": "no usual slip has that ratio",
}


def check(returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for each take that runs away from the session."""
    for file in returned.new_files:
        rule = rules.for_role(file.role)
        assert isinstance(rule, WrongSpeedRule), "the rule of wrong-speed"
        if file.speed is None:
            continue
        drift_ms = 1000 * file.speed.drift_s(file.frames, file.format.sample_rate_hz)
        severity = severity_under(rule.severity, "note" if abs(drift_ms) < rule.min_ms else "warn")
        if severity is not None:
            yield Finding(
                check=ID,
                severity=severity,
                message=_message(file, file.speed, drift_ms),
                advice="Ask the room for its clock and sample rate, and for a new export. Or order "
                "its speed to be undone when you accept the return: order: {undo_stretch: true} "
                "for it in a session.yaml in the return.",
                file=file.file,
                files=(file.file,),
                song=file.song,
                found=round(file.speed.ratio, 7),
                required=1,
                unit="times as long",
            )


def _message(file: NewFile, speed: TakeSpeed, drift_ms: float) -> str:
    way = "later" if drift_ms > 0 else "earlier"
    basis = (
        f"by the mix that leaked into it; at its end it is {abs(drift_ms):,.2f} ms {way} than at "
        "its start"
        if speed.evidence == "mix"
        else "by its length alone, for the session's files would be exactly as long"
    )
    return (
        f"lasts {speed.ratio:.6f} times as long as what it was played to ({speed.ppm:+,.1f} ppm, "
        f"to {speed.error_ppm:.1f}), {basis}; {cause_words(file, speed)}"
    )


def cause_words(file: NewFile, speed: TakeSpeed) -> str:
    """The likeliest cause, said to be no more than that."""
    if speed.cause != "label":
        return _CAUSES[speed.cause]
    label_hz = file.format.sample_rate_hz
    true_hz = round(label_hz * speed.ratio / 50) * 50
    return f"likeliest sound of {rate_name(true_hz)} under a header that says {rate_name(label_hz)}"
