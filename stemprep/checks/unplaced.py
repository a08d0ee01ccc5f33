"""A new file of which nothing says where it begins.

Cut to its own length, without a time reference, and recorded so dry that nothing of the mix leaked
into it: such a take fits anywhere. Put at the session's start it plays beside everything, and
nobody can hear from the file alone that this is wrong.

Measured: the time reference (bext, else iXML) against the session's; the length against that of the
session's files; then the mix that was sent, sought in the file at its start and anywhere else.
Limit: none (common practice, no source); always a warning at most.
Passes: a take without a time reference that is exactly as long as the session's files, or in which
the mix that leaked from the headphones was found.
Fails: a guitar from a line input, cut to 40 s, exported as plain WAV.
To do: ask the room where it begins, or for an export from the session's start; then order its place
when you accept the return: --place FILE=SAMPLES from the session's start, or --place "FILE=bar 17".
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import severity_under
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import NewFile, Returned
from stemprep.model.rule import RuleTable
from stemprep.model.words import Severity

ID = "unplaced"
NATURE = Nature(
    scope="return",
    heading="New file without a place",
    files_are="without a place",
    concern="together",
)
_ADVICE = (
    "Ask where it begins, or for an export from the session's start. Or order its place when you "
    "accept the return: --place FILE=SAMPLES from the session's start, or FILE='bar 17'."
)
_NO_SONG = "Put it into a folder with the song's name, or say in a session.yaml which it is."


def check(returned: Returned, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for each new file without a place."""
    for file in returned.new_files:
        severity = severity_under(rules.for_role(file.role).severity, "warn")
        if file.start_sample is None and severity is not None:
            yield unplaced(file, severity)


def unplaced(file: NewFile, severity: Severity) -> Finding:
    """What is not known of a file, and what a person can do about it."""
    return Finding(
        check=ID,
        severity=severity,
        message=f"where it begins is not known: {file.evidence}",
        advice=_NO_SONG if file.session_format is None else _ADVICE,
        file=file.file,
        files=(file.file,),
        song=file.song,
    )
