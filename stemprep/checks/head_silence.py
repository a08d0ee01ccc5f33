"""More silence before the first sound than expected.

On a mix it is dead air that has to be cut before it plays. On stems and tracks it is what keeps
them lined up from bar 1, so it is a note there.

Measured: from the first sample to the first one above the level of silence at the edges, in every
channel. The level is `edge_silence_dbfs` of the spec's measuring settings, stated in the message.
Limit: 2 s at or below -70 dBFS (common practice, no source).
Passes: a mix with half a second before the first note.
Fails: a mix that starts after 9 s of nothing.
To do: on a mix, export again from just before the first sound; on stems leave it as it is.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.edge_silence import EdgeSilenceRule, edge_silence
from stemprep.checks.nature import Nature
from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredFile

ID = "head-silence"
NATURE = Nature(
    scope="file",
    heading="Long silence before the sound",
    files_are="with long silence in front",
    concern="form",
    rule=EdgeSilenceRule,
    side_effect_of=("place", "pad"),
)


def check(file: MeasuredFile, rule: EdgeSilenceRule) -> Iterator[Finding]:
    """Yield a finding when the file is silent for too long at its head."""
    yield from edge_silence(file, rule, ID, "head")
