"""Files whose header states another sample rate than the sound was made at.

A 44.1 kHz file labelled 48 kHz plays 1.47 semitones too high and ends too early. Whoever imports it
by its label gets a track out of tune and out of time.

Measured: the length of each file in seconds against the length that most files of the song have. If
the file would be exactly as long at another usual rate, or at one pulled up or down by 1.001, the
label is in doubt. The ratios: 0.91875 and 1.08844 between 44.1 and 48 kHz, 2 and 0.5 between 48 and
96 kHz, 0.999 and 1.001 for a pull-down. The sound itself is not asked: half as long may be right.
Limit: 1 ms between the lengths, and only where at least two other files share the song's length
(common practice, no source; the rates: AES5).
Passes: a 44.1 kHz file of 180 s among 48 kHz files of 180 s; an overdub of 97.3 s.
Fails: a file of 165.375 s at 48 kHz among files of 180 s: its samples are 180 s of 44.1 kHz.
To do: ask who made it for the true rate, and have the header put right. Never convert it.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from stemprep.checks.heard import Heard, ceiling_in_set
from stemprep.checks.nature import Explanation, Nature
from stemprep.checks.song import Song
from stemprep.checks.tell import about_file, rate_name, severity_under
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.units import clock_from_samples

ID = "wrong-rate-label"
NATURE = Nature(
    scope="song",
    heading="Plays at the wrong speed",
    files_are="with a wrong sample rate in the header",
    concern="flaw",
    explains=(
        Explanation(effects=frozenset({"length"})),
        Explanation(effects=frozenset({"mixed-formats"}), unit="Hz"),
    ),
)
# AES5-2018 names 48, 44.1, 96, 32 kHz and their multiples.
RATES_HZ = (32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
# Between 30 and 29.97 frames a second (SMPTE ST 12-1, from memory).
PULL = Fraction(1001, 1000)
# As the manual says: exports of one song are as long to the sample.
TOLERANCE_S = Fraction(1, 1000)
MIN_GAP_S = Fraction(1, 100)  # shorter differences are latency, whatever their ratio
# As the manual says: one file alone says nothing of the length that is right.
MIN_SHARING = 2


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding a file that would have the song's length at another usual rate."""
    reference = song.common_length
    if reference is None:
        return
    sharing = [item for item in song.compared if song.has_common_length(item)]
    if len(sharing) < MIN_SHARING:
        return
    for item in song.compared:
        ceiling = ceiling_in_set(rules.for_role(item.file.role).severity, item.file.role)
        severity = severity_under(ceiling, "warn")
        true_hz = rate_by_length(item, reference.seconds)
        if severity is not None and true_hz is not None:
            yield about_file(
                item.file,
                ID,
                severity,
                message=_message(item, reference, true_hz),
                advice="Ask for the true rate and correct the header; do not convert the sound.",
                found=item.format.sample_rate_hz,
                required=float(true_hz) if true_hz.denominator > 1 else int(true_hz),
                unit="Hz",
            )


def rate_by_length(item: Heard, seconds: Fraction) -> Fraction | None:
    """The usual rate, perhaps pulled by 1.001, at which a file lasts so long; None for its own.

    The rate nearest to the exact one, so that 48 kHz is not told as 48.048.
    """
    if abs(item.seconds - seconds) < MIN_GAP_S or seconds <= 0:
        return None
    label_hz = item.format.sample_rate_hz
    candidates = [Fraction(rate) for rate in RATES_HZ if rate != label_hz]
    candidates += [label_hz * PULL, label_hz / PULL]
    fitting = [
        (abs(item.sound.frames / rate - seconds), rate)
        for rate in candidates
        if abs(item.sound.frames / rate - seconds) <= TOLERANCE_S
    ]
    return min(fitting)[1] if fitting else None


def _message(item: Heard, reference: Heard, true_hz: Fraction) -> str:
    label_hz = item.format.sample_rate_hz
    own = clock_from_samples(item.sound.frames, label_hz)
    common = clock_from_samples(reference.sound.frames, reference.format.sample_rate_hz)
    return (
        f"labelled {rate_name(label_hz)} it lasts {own}, at {_rate(true_hz)} exactly as long as "
        f"the song ({common}): the label is in doubt, or the file was made at another rate"
    )


def _rate(rate_hz: Fraction) -> str:
    return rate_name(int(rate_hz)) if rate_hz.denominator == 1 else f"{float(rate_hz):,.1f} Hz"
