"""One side of the file is dead while the other sounds.

A cable, a pan pot, a mono track exported as stereo with one leg missing: in the mix it pulls to
one side.

Measured: the sample peak of each channel.
Limit: at or below -80 dBFS and at least 20 dB under the loudest channel (common practice, no
source). In files of more than two channels an unused one is normal: a note at most.
Passes: a guitar panned hard left whose right side still holds its reverb at -45 dBFS.
Fails: a stereo file whose right side is zero throughout; one whose left side is hiss at -100 dBFS.
To do: export again with both sides, or as mono; nothing is copied across by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.tell import about_file, channel_name, heard, listed, severity_under
from stemprep.model.definition import Key
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import LevelDb
from stemprep.model.words import Severity
from stemprep.units import SILENCE_DB

ID = "silent-channel"


@dataclass(frozen=True, slots=True, kw_only=True)
class SilentChannelRule(Rule):
    """A channel that stays this quiet is dead while another sounds."""

    max_channel_peak_dbfs: Annotated[LevelDb, Key("a channel at or below is dead, dBFS", -80.0)]


NATURE = Nature(
    scope="file",
    heading="One side is silent",
    files_are="with a silent channel",
    concern="flaw",
    rule=SilentChannelRule,
    explains=(Explanation(effects=frozenset({"dual-mono"}), is_artefact=True),),
)


# As the manual says (common practice, no source).
_MIN_GAP_DB = 20.0


def check(file: MeasuredFile, rule: SilentChannelRule) -> Iterator[Finding]:
    """Yield one finding that names every dead channel of a file that sounds."""
    known = heard(file)
    if known is None or known[0].channels < 2:
        return
    form, sound = known
    peaks = sound.level.channel_peaks_dbfs
    limit = min(rule.max_channel_peak_dbfs, max(peaks) - _MIN_GAP_DB)
    dead = [number for number, peak in enumerate(peaks, 1) if peak <= limit]
    own: Severity = "note" if form.channels > 2 else "fail"
    severity = severity_under(rule.severity, own)
    if severity is None or not dead or max(peaks) == SILENCE_DB:
        return
    names = listed([channel_name(number, form.channels) for number in dead])
    level = max(peaks[number - 1] for number in dead)
    found = "digital silence" if level == SILENCE_DB else f"{level:.1f} dBFS at most"
    yield about_file(
        file,
        ID,
        severity,
        message=f"{names}: {found}, while the file peaks at {max(peaks):.1f} dBFS",
        advice="Export the file again with every side sounding, or as mono if it is one signal.",
        channel=dead[0],
        found=None if level == SILENCE_DB else round(level, 2),
        required=rule.max_channel_peak_dbfs,
        unit="dBFS",
    )
