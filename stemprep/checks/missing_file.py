"""Something that the session sheet names is not in the drop.

The sheet speaks of a mix, a track, a song that nobody can find: forgotten at export, or renamed
after the sheet was written.

Measured: every pattern of the sheet (mixes, tracks, songs) against the names in the drop,
without regard to letter case.
Limit: each pattern matches at least one file (common practice, no source).
Passes: `reference_mix: Song MIX.wav` and that file in the drop.
Fails: `reference_mix: Song MIX.wav` and no such file.
To do: add the file, or correct the name in the sheet.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredSession

ID = "missing-file"
NATURE = Nature(
    scope="set",
    heading="File is missing",
    files_are="missing",
    concern="loss",
)


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for each pattern of the sheet that matches nothing."""
    severity = severity_under(rules.default.severity)
    if severity is None:
        return
    for pattern in measured.session.unmatched:
        yield Finding(
            check=ID,
            severity=severity,
            message=f"the session sheet names '{pattern}', nothing in the drop matches it",
            advice="Add the file to the drop, or correct its name in the sheet.",
            found=pattern,
            required="at least one file",
        )
