"""Something in the drop that must not be followed, opened or unpacked.

A link out of the folder, a device, a zip entry that would write elsewhere: taking it could bring in
what nobody sent, or hang the machine. It is left where it is; its target is never read, changed or
deleted.

Measured: the kind of each entry, without opening it; names, sums and sizes while a zip is unpacked.
Limit: none. Lower than the spec's ceiling: a link to a file inside the drop (taken once, as that
file), a link to nothing, a link in a circle and a device are warnings at most. A zip that breaks
off, or an entry that does not unpack to what it was, is told as unreadable, under the ceiling of
this check: nothing of it can be kept.
Passes: plain files and folders.
Fails: `Bass.wav` that is a link to a file outside the drop; a zip with an entry `../Bass.wav`.
To do: replace the link by the file itself, or make the zip again.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks import unreadable
from stemprep.checks.nature import Nature
from stemprep.checks.tell import severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.session import UNREADABLE, DropEntry, Hazard, MeasuredSession
from stemprep.model.words import Severity

ID = "unsafe-entry"
NATURE = Nature(
    scope="set",
    heading="Entry that cannot be taken safely",
    files_are="not opened",
    concern="loss",
    is_waivable=False,
    is_of_drop=True,
)
_MILD: frozenset[Hazard] = frozenset({"inside-link", "dangling", "loop", "special"})
_ADVICE: dict[Hazard, str] = {
    "inside-link": "Nothing to do: the file it points to is taken once.",
    "outside": "Put the file itself into the drop instead of a link to it.",
    "dangling": "Put the file itself into the drop; the link points to nothing.",
    "loop": "Take the link out of the drop.",
    "special": "Take it out of the drop.",
    "unlistable": "Make it readable for the account that runs this and drop again.",
    "encrypted": "Make the zip again without a password.",
    "too-large": "Send it in several smaller drops, or as a folder.",
}


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for each unsafe entry."""
    for entry in measured.session.entries:
        own: Severity = "warn" if entry.hazard in _MILD else "fail"
        severity = severity_under(rules.default.severity, own)
        if entry.kind == "unsafe" and severity is not None:
            yield (
                _damaged(entry, severity)
                if entry.hazard in UNREADABLE
                else _finding(entry, severity)
            )


def _damaged(entry: DropEntry, severity: Severity) -> Finding:
    what = "this zip" if entry.path == entry.archive else "this entry of the zip"
    return Finding(
        check=unreadable.ID,
        severity=severity,
        message=f"nothing of {what} could be taken: {entry.reason or 'it is damaged'}",
        advice="Ask for the zip again and drop it once more.",
        file=entry.path,
        files=(entry.path,),
        found=entry.hazard,
        required="a whole zip",
    )


def _finding(entry: DropEntry, severity: Severity) -> Finding:
    return Finding(
        check=ID,
        severity=severity,
        message=f"left out: {entry.reason or 'it cannot be taken safely'}",
        advice=_ADVICE.get(entry.hazard, "Make the zip again from the original files."),
        file=entry.path,
        files=(entry.path,),
        found=entry.hazard or entry.reason,
        required="a plain file",
    )
