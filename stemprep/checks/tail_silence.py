"""More silence after the last sound than expected.

On a mix somebody forgot to set the end; on stems and tracks it is the common length of the song,
so it is a note there.

Measured: from the last sample above the level of silence at the edges to the end, in every
channel. The level is `edge_silence_dbfs` of the spec's measuring settings, stated in the message.
Limit: 2 s at or below -70 dBFS (common practice, no source).
Passes: a mix that ends 1 s after its reverb has gone.
Fails: a mix with 40 s of nothing after the last chord.
To do: on a mix, export again with the right end; on stems leave it as it is.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.edge_silence import EdgeSilenceRule, edge_silence
from stemprep.checks.nature import Nature
from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredFile

ID = "tail-silence"
NATURE = Nature(
    scope="file",
    heading="Long silence after the sound",
    files_are="with long silence at the end",
    concern="form",
    rule=EdgeSilenceRule,
    side_effect_of=("pad",),
)


def check(file: MeasuredFile, rule: EdgeSilenceRule) -> Iterator[Finding]:
    """Yield a finding when the file is silent for too long at its tail."""
    yield from edge_silence(file, rule, ID, "tail")
