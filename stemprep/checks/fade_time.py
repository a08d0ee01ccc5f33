"""A fade that is asked for lies beyond the end of its song.

The session sheet asks the mastering room for fades at times of the song. A time after the end of
every mix belongs to another version, or is a slip of the pen; the room would have to guess.

Measured: every time like 3:40 or 3:40.5 in the sheet's words on fades, against the longest mix of
the song, or its longest file where no mix was dropped.
Limit: no later than the end, to the full second that people read (common practice, no
source).
Passes: `fades: out from 3:40, gone by 3:52` for a mix of 3:52.400.
Fails: the same for a mix of 3:31.000.
To do: correct the time in the sheet, or send the mix that it belongs to.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from stemprep.checks.nature import Nature
from stemprep.checks.song import Song
from stemprep.checks.tell import severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.words import Role
from stemprep.units import clock_from_samples

ID = "fade-time"
NATURE = Nature(
    scope="song",
    heading="Fade after the end",
    files_are="shorter than the fade asked for",
    concern="label",
    is_of_drop=True,
)

_MIX_ROLES: frozenset[Role] = frozenset({"mix", "alternate-mix"})
# Minutes and seconds, hours before them where there are any; nothing that goes on as a number.
_CLOCK = re.compile(r"(?<![\d:.])(?:(\d{1,2}):)?(\d{1,3}):([0-5]\d(?:[.,]\d{1,3})?)(?![\d:])")
_READING_STEP_S = 1.0
"""A person reads the end of a song off a display that counts full seconds."""


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for a song whose fade is asked for after its end."""
    severity = severity_under(rules.default.severity)
    ends = [
        (file.facts.sound.frames / file.facts.format.sample_rate_hz, file)
        for file in song.files
        if file.facts.sound is not None and file.facts.format is not None
    ]
    ends = [end for end in ends if end[1].role in _MIX_ROLES] or ends
    fades = None if song.note is None else song.note.fades
    if severity is None or fades is None or not ends:
        return
    end_s, longest = max(ends, key=lambda end: end[0])
    late = [words for words, at_s in _times(fades) if at_s >= end_s + _READING_STEP_S]
    if not late:
        return
    form = longest.facts.format
    assert form is not None, "ends are of files with a format"
    end = clock_from_samples(round(end_s * form.sample_rate_hz), form.sample_rate_hz)
    yield Finding(
        check=ID,
        severity=severity,
        message=f"the session sheet asks for a fade at {', '.join(late)}; the song ends at {end}",
        advice="Correct the time in the session sheet, or send the mix that it belongs to.",
        files=(longest.path,),
        file=longest.path,
        song=song.title,
        found=late[0],
        required=f"at most {end}",
    )


def _times(words: str) -> Iterator[tuple[str, float]]:
    """Give each time in some words, as written and in seconds."""
    for match in _CLOCK.finditer(words):
        hours, minutes, seconds = match.groups()
        yield (
            match.group(),
            3600 * int(hours or 0) + 60 * int(minutes) + float(seconds.replace(",", ".")),
        )
