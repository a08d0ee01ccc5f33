"""Clicks: a few samples that do not belong to the sound around them.

They come from clock faults, bad cables, plug-ins at the edge of a buffer and cuts without a fade;
a limiter in the next room makes them louder.

Measured: places where linear prediction from both sides makes up to 64 samples anew and leaves an
error like that around; height is the largest sample of what was added against the largest of the
50 ms around, certainty the prediction error in deviations (sigma) of the error around.
Limit: up to 8 samples: -6 dB with 100 sigma, or 6 dB; longer ones: 6 dB with 60 sigma (common
practice, no source; found on recordings with known answers).
Severity: as the spec says; a file that the sheet calls `intended: crackle` (or vinyl, glitch,
distorted) gets a note. A metronome is made of clicks and is not judged.
Not a click: drum hits, square and saw waves, distortion: sound of their own follows them.
Passes: a snare with a hard attack; a bass synthesiser with sharp edges.
Fails: a string pad with one sample 3 dB over everything near it.
To do: listen to the places; export again, or redraw the samples in the session.
"""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.checks.intended import own_severity
from stemprep.checks.tell import about_file, count_of, heard, place, severity_under
from stemprep.model.facts import ClickFacts
from stemprep.model.finding import MAX_WORST, Finding, Occurrence, Occurrences
from stemprep.model.rule import ClickRule
from stemprep.model.session import MeasuredFile

ID = "click"
_INTENDED = frozenset({"crackle", "vinyl", "glitch", "distorted", "clicks"})


def check(file: MeasuredFile, rule: ClickRule) -> Iterator[Finding]:
    """Yield one finding for all clicks over the limits."""
    known = heard(file)
    severity = severity_under(rule.severity, own_severity(file, _INTENDED))
    if known is None or severity is None:
        return
    form, sound = known
    listed = [click for click in sound.transients.clicks if is_over(click, rule)]
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


def is_over(click: ClickFacts, rule: ClickRule) -> bool:
    """Tell whether a click breaks one of the limits."""
    if click.end - click.start > rule.max_short_samples:
        return click.height_db >= rule.min_height_db and click.sigmas >= rule.min_sigmas
    is_certain = click.sigmas >= rule.min_short_sigmas
    return click.height_db >= (rule.min_short_height_db if is_certain else rule.min_height_db)


def _limit(click: ClickFacts, rule: ClickRule) -> float:
    is_short = click.end - click.start <= rule.max_short_samples
    is_certain = click.sigmas >= rule.min_short_sigmas
    return rule.min_short_height_db if is_short and is_certain else rule.min_height_db


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
