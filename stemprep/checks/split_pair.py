"""One stereo track as two mono files, or only one of the two.

Some systems export left and right apart. The receiver gets two tracks to pan by hand, or only half
a piano. Left and right of overheads and rooms are two microphones and are often wanted as such:
that is why this is a note unless the spec says more.

Measured: names that are equal but for their end (.L/.R, _L/_R, -Left/-Right, ` L`/` R`), mono files
only; then rate, word length and length of the two. `Tom_L` beside `Tom_H` is low and high.
Limit: none (common practice, no source).
Passes: `Keys.wav` in stereo; `Tom_L.wav` and `Tom_H.wav`.
Fails: `Keys_L.wav` and `Keys_R.wav`; `Pad.L.wav` without its right side.
To do: where it is ordered, deliver joins two sides that agree in rate, word and length, sample for
sample; a missing side has to be exported.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stemprep.checks.heard import Heard
from stemprep.checks.nature import Nature
from stemprep.checks.pairs import pairs_of
from stemprep.checks.song import Song
from stemprep.checks.tell import about_files, severity_under, worst_ceiling
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.words import OperationName

ID = "split-pair"
NATURE = Nature(
    scope="song",
    heading="Left and right do not match",
    files_are="in split stereo pairs",
    concern="together",
)


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for each pair, and for each side that stands alone."""
    pairs, alone = pairs_of(song.compared)
    for pair in pairs:
        both = (pair.left, pair.right)
        if pair.obstacle:
            text = f"left and right of one track that cannot be joined: {pair.obstacle}"
            yield from _finding(
                both, rules, text, "Export both sides over the same range and format."
            )
        else:
            text = "left and right of one track, as two mono files that can be joined"
            advice = "Leave two microphones apart; join a stereo track by pair_of in the sheet."
            yield from _finding(both, rules, text, advice, "join")
    for item in alone:
        text = "one side of a stereo track by its name, the other is not in the drop"
        yield from _finding((item,), rules, text, "Export the other side, or rename a mono track.")


def _finding(
    items: Sequence[Heard],
    rules: RuleTable,
    message: str,
    advice: str,
    repair: OperationName | None = None,
) -> Iterator[Finding]:
    files = [item.file for item in items]
    severity = severity_under(worst_ceiling(rules, files))
    if severity is not None:
        yield about_files(
            files,
            ID,
            severity,
            message=message,
            advice=advice,
            found=len(files),
            required=1 if repair else 2,
            unit="files",
            repair=repair,
        )
