"""An original that did not come back.

Most rooms send only what they recorded, and the package still holds what was sent. So this is worth
a line, not an alarm, unless the originals were all asked back.

Measured: every delivered file that was made from a dropped one, sought among the returned files by
its bytes, its sound and its name.
Limit: none (common practice, no source); a note, unless the originals were all asked back.
Passes: a click of ours that did not come back; an original that came back under another name.
Fails: a guitar that was sent and is not in the return.
To do: nothing where only new recordings were asked for; the package has it whole.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import severity_under
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import Returned
from stemprep.model.rule import RuleTable
from stemprep.model.words import Severity

ID = "original-missing"
NATURE = Nature(
    scope="return",
    heading="Original did not come back",
    files_are="not back",
    concern="loss",
)


def check(returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for each original that is not there."""
    worst: Severity = "fail" if returned.everything_asked else "note"
    for fate in returned.originals:
        severity = severity_under(rules.for_role(fate.role).severity, worst)
        if fate.status != "missing" or severity is None:
            continue
        yield Finding(
            check=ID,
            severity=severity,
            message="did not come back",
            advice="Ask for it: everything was to come back."
            if returned.everything_asked
            else "Nothing, unless you asked for it: the package has it whole.",
            file=fate.file,
            files=(fate.file,),
            song=fate.song,
        )
