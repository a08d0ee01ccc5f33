"""An original that came back under another name.

The sound is the one that was sent. But who drags the return into a session gets a second track
beside the first, and whoever looks for the old name does not find it.

Measured: the file name, whatever its folder, its letter case and its container, against the names
that the original had in the drop and in the package.
Limit: none (common practice, no source); always a note.
Passes: Piano.wav that came back as Piano.flac, or in another folder.
Fails: Piano.wav that came back as Piano (1).wav.
To do: nothing; the next delivery has it under its own name again.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import severity_under
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import Returned
from stemprep.model.rule import RuleTable

ID = "original-renamed"
NATURE = Nature(
    scope="return",
    heading="Original came back under another name",
    files_are="renamed",
    concern="label",
)


def check(returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    """Yield one note for each original with another name."""
    for fate in returned.originals:
        severity = severity_under(rules.for_role(fate.role).severity, "note")
        if not fate.is_renamed or fate.returned_as is None or severity is None:
            continue
        yield Finding(
            check=ID,
            severity=severity,
            message=f"is {fate.sent_name} under another name",
            advice="Nothing: the next delivery has it under its own name again.",
            file=fate.returned_as,
            files=(fate.returned_as,),
            against=(fate.file,),
            song=fate.song,
        )
