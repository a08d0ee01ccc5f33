"""Two songs of the session sheet have one recording code.

An ISRC belongs to one recording for ever: another version of a song, such as its instrumental or
its live take, is another recording and has a code of its own. With one code on two of them, plays
and fees of both are counted as one.

Measured: the codes of the sheet's songs, without regard to hyphens and letter case.
Limit: each code once (ISO 3901: one code, one recording).
Passes: ZZ-ABC-26-00001 for `Low Water`, ZZ-ABC-26-00002 for `Low Water (Instrumental)`.
Fails: ZZ-ABC-26-00002 for both.
To do: ask whoever registers the recordings for the second code, and correct the sheet.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.tell import listed, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredSession

ID = "recording-code"
NATURE = Nature(
    scope="set",
    heading="One recording code for two songs",
    files_are="with a recording code of another",
    concern="label",
    is_of_drop=True,
)


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for each code that more than one song of the sheet has."""
    severity = severity_under(rules.default.severity)
    sheet = measured.session.sheet
    if severity is None or sheet is None:
        return
    titles: dict[str, list[str]] = {}
    for note in sheet.songs:
        if note.isrc is not None:
            titles.setdefault(note.isrc, []).append(note.title)
    for code, songs in titles.items():
        if len(songs) > 1:
            yield Finding(
                check=ID,
                severity=severity,
                message=f"the ISRC {code} is given to {len(songs)} songs: {listed(songs)}",
                advice="Give every recording its own code in the session sheet; another version "
                "of a song is another recording.",
                found=len(songs),
                required=1,
                unit="songs",
            )
