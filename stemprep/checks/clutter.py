"""Files that systems and programs leave behind by themselves.

Folder settings, previews, peak caches, half downloads: nobody put them there, nobody needs them in
the package. They are left out, and listed so that it can be seen.

Measured: names and places that are known to be made by systems and programs; the reason stands
beside each in the report.
Limit: none; always one note for all of them.
Passes: a drop of audio and documents.
Fails: `.DS_Store`, `Thumbs.db`, `Kick.wav.pk`, `Kick.wav.part`.
To do: nothing. If a half download should have been audio, wait for it and drop again.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_entries, count_of, listed, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredSession

ID = "clutter"
NATURE = Nature(
    scope="set",
    heading="Files made by the system",
    files_are="of clutter",
    concern="label",
    is_of_drop=True,
)


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield one note for all clutter."""
    paths = [entry.path for entry in measured.session.entries if entry.kind == "clutter"]
    severity = severity_under(rules.default.severity, "note")
    if not paths or severity is None:
        return
    yield about_entries(
        paths,
        ID,
        severity,
        message=f"{count_of(len(paths), 'file')} made by systems or programs, left out: "
        f"{listed(paths)}",
        advice="Nothing to do; what should have been audio has to be dropped again under its name.",
    )
