"""An exception in the session sheet that does not hold.

Somebody signed that a finding is accepted. The signature is void: the file was exported again
since, nothing of that kind was found, the finding goes beyond what was signed, or it is of a kind
that nobody can sign away.

Measured: each waiver of the sheet against the findings, by check, file pattern, range, limit and
hash of the sound. Who signed what, and which findings it covers, stands in the report.
Limit: none; always a note. A finding that a waiver does not cover counts as if there were none.
Passes: a waiver for `clipping` on `Gtr*.wav`, and `Gtr DI.wav` is clipped.
Fails: a waiver for `clipping` on `Gtr*.wav`, and no guitar is clipped; one for `truncated`.
To do: take the line out of the sheet, or confirm it for the new export (new hash, date, initials).
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import severity_under
from stemprep.checks.waiving import Objection
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable

ID = "waiver"
NATURE = Nature(
    scope="waivers",
    heading="Waiver that does not hold",
    files_are="in doubtful waivers",
    concern="label",
    is_of_drop=True,
)


def check(objections: tuple[Objection, ...], rules: RuleTable) -> Iterator[Finding]:
    """Yield a note for each waiver that holds for nothing, or not for all it names."""
    severity = severity_under(rules.default.severity, "note")
    if severity is None:
        return
    for objection in objections:
        waiver = objection.waiver
        yield Finding(
            check=ID,
            severity=severity,
            message=f"the waiver of {waiver.check} for '{waiver.file}' by {waiver.initials} "
            f"({waiver.date}) {objection.reason}",
            advice=objection.advice,
            file=objection.files[0] if len(objection.files) == 1 else None,
            files=objection.files,
            found=waiver.check,
        )
