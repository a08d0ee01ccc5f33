"""Clicks: a few samples that do not belong to the sound around them.

They come from clock faults, bad cables, plug-ins at the edge of a buffer and cuts without a fade;
a limiter in the next room makes them louder.

Measured: places where linear prediction from both sides makes up to 64 samples anew and leaves an
error like that around; height is the largest sample of what was added against the largest of the
50 ms around, certainty the prediction error in deviations (sigma) of the error around.
Limit: up to 8 samples: -6 dB with 150 sigma, else 5.5 dB; longer ones: 8 dB with 20 sigma; none
where the sound has three or more of nearly that height by itself: it crackles (common practice,
no source; found on recordings with known answers).
Severity: as the spec says; a file that the sheet calls `intended: crackle` (or vinyl, glitch,
distorted) gets a note. A metronome is made of clicks and is not judged.
Not a click: drum hits, square and saw waves, distortion: sound of their own follows them.
Passes: a snare with a hard attack; a bass synthesiser with sharp edges.
Fails: a string pad with one sample 3 dB over everything near it.
To do: listen to the places; export again, or redraw the samples in the session.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stemprep.checks.intended import own_severity
from stemprep.checks.tell import about_file, count_of, heard, place, severity_under
from stemprep.model.facts import ClickFacts
from stemprep.model.finding import MAX_WORST, Finding, Occurrence, Occurrences
from stemprep.model.rule import ClickRule
from stemprep.model.session import MeasuredFile

ID = "click"
MOST_COMPARED = 100
CRACKLE_RANGE_DB = 9.0
CRACKLE_FACTOR = 8.0
_INTENDED = frozenset({"crackle", "vinyl", "glitch", "distorted", "clicks"})


def check(file: MeasuredFile, rule: ClickRule) -> Iterator[Finding]:
    """Yield one finding for all clicks over the limits."""
    known = heard(file)
    severity = severity_under(rule.severity, own_severity(file, _INTENDED))
    if known is None or severity is None:
        return
    form, sound = known
    listed = clicks_of(sound.transients.clicks, rule)
    if not listed:
        return
    worst = max(listed, key=lambda click: (click.height_db, -click.start))
    at = place(worst.channel, form.channels, worst.start, form.sample_rate_hz)
    channels = {click.channel for click in listed}
    yield about_file(
        file,
        ID,
        severity,
        message=f"{count_of(len(listed), 'click')}, the highest {worst.height_db:+.1f} dB against "
        f"the sound around it {at}, {count_of(worst.end - worst.start, 'sample')} long; "
        f"at most {_limit(worst, rule):+.1f} dB expected",
        advice="Listen to these places; export again, or redraw the samples in the session.",
        channel=channels.pop() if len(channels) == 1 else None,
        start_sample=min(click.start for click in listed),
        end_sample=max(click.end for click in listed),
        occurrences=_occurrences(listed),
        found=round(worst.height_db, 1),
        required=_limit(worst, rule),
        unit="dB",
    )


def clicks_of(found: Sequence[ClickFacts], rule: ClickRule) -> list[ClickFacts]:
    """Return what breaks the limits, without the highest of many alike: such a sound crackles."""
    over = [click for click in found if is_over(click, rule)]
    rest = [click for click in found if not is_over(click, rule)]
    if len(over) > MOST_COMPARED:
        return over
    return [click for click in over if sum(_is_like(o, click) for o in rest) < rule.min_crackles]


def _is_like(other: ClickFacts, click: ClickFacts) -> bool:
    is_near = other.height_db >= click.height_db - CRACKLE_RANGE_DB
    return is_near and other.sigmas * CRACKLE_FACTOR >= click.sigmas


def is_over(click: ClickFacts, rule: ClickRule) -> bool:
    """Tell whether a click breaks one of the limits."""
    if click.end - click.start > rule.max_short_samples:
        return click.height_db >= rule.min_long_height_db and click.sigmas >= rule.min_long_sigmas
    is_certain = click.sigmas >= rule.min_sure_sigmas
    return click.height_db >= (rule.min_sure_height_db if is_certain else rule.min_height_db)


def _limit(click: ClickFacts, rule: ClickRule) -> float:
    if click.end - click.start > rule.max_short_samples:
        return rule.min_long_height_db
    is_certain = click.sigmas >= rule.min_sure_sigmas
    return rule.min_sure_height_db if is_certain else rule.min_height_db


def _occurrences(clicks: list[ClickFacts]) -> Occurrences:
    """The ten highest."""
    ranked = sorted(clicks, key=lambda click: (-click.height_db, click.start, click.channel))
    return Occurrences(
        count=len(clicks),
        worst=tuple(
            Occurrence(channel=click.channel, start_sample=click.start, end_sample=click.end)
            for click in ranked[:MAX_WORST]
        ),
    )
