"""Clicks: a few samples that do not belong to the sound around them.

They come from clock faults, bad cables, plug-ins at the edge of a buffer and cuts without a fade;
a limiter in the next room makes them louder.

Measured: places where linear prediction from both sides makes up to 64 samples anew and leaves an
error like that around; height is the largest sample of what was added against the largest of the
50 ms around, certainty the prediction error in deviations (sigma) of the error around.
Limit: up to 8 samples: -6 dB with 150 sigma at the level of the sound around and as many times
more as the click is lower, else 5.5 dB; longer ones: 4 dB with 400 sigma, else 8 dB with 12; none
where the sound has three or more of nearly that height by itself: it crackles (common practice, no
source; found on recordings with known answers).
Severity: as the spec says. Lower by these rules: clicks that come back with the sound they stand
in, at the same place of it and as high, have a ceiling of their own: they are part of a sample
or a loop; a file that the sheet calls `intended: crackle` (or vinyl, glitch, distorted) gets a
note. A metronome is made of clicks and is not judged.
Not a click: what is faint, below about -55 dBFS: fingers and amplifiers make such too; drum hits,
square and saw waves, distortion: sound of their own follows them; the edge of a hard gate: hardly
any sound is left on its other side.
Passes: a snare with a hard attack; a bass synthesiser with sharp edges.
Fails: a string pad with one sample 3 dB over everything near it.
To do: listen to the places; export again, or redraw the samples in the session.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.intended import own_severity
from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, count_of, heard, listed_density, place, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.facts import ClickFacts
from stemprep.model.finding import MAX_WORST, Finding, Occurrence, Occurrences
from stemprep.model.header import AudioFormat
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.value_types import HeightDb, Sigmas
from stemprep.model.words import Ceiling, Severity
from stemprep.units import ratio_from_db

ID = "click"


@dataclass(frozen=True, slots=True, kw_only=True)
class ClickRule(Rule):
    """Height over the largest sample of the 50 ms around, and certainty, from which a click counts.

    min_sure_height_db: with min_sure_sigmas, and as many times more as it is lower than the sound
    around. min_sure_long_height_db: with min_sure_long_sigmas, because clicks whose ends sound
    covers read lower than they are.
    """

    max_short_samples: Annotated[int, Range(1, 64), Key("longest short click", 8)]
    min_height_db: Annotated[
        HeightDb, Key("short clicks, over the peak of the 50 ms around, dB", 5.5)
    ]
    min_sure_height_db: Annotated[HeightDb, Key("short clicks that are certain, dB", -6.0)]
    min_sure_sigmas: Annotated[
        Sigmas,
        Key("prediction error of a certain click as high as the sound around, deviations", 150.0),
    ]
    min_long_height_db: Annotated[HeightDb, Key("longer clicks, dB", 8.0)]
    min_sure_long_height_db: Annotated[HeightDb, Key("longer clicks that are certain, dB", 4.0)]
    min_sure_long_sigmas: Annotated[Sigmas, Key("prediction error of such, deviations", 400.0)]
    min_long_sigmas: Annotated[Sigmas, Key("prediction error of longer clicks, deviations", 12.0)]
    min_crackles: Annotated[
        int, Range(1, 10000), Key("as many of nearly that height are the sound's own", 3)
    ]
    min_recurrences: Annotated[
        int,
        Range(1, 127),
        Key("as many others at the same place of the same sound make a click part of it", 1),
    ]
    recurring_severity: Annotated[
        Ceiling, Key("weight of clicks that are part of their sound", "note")
    ]


NATURE = Nature(
    scope="file",
    heading="Click",
    files_are="with clicks",
    concern="flaw",
    rule=ClickRule,
)


# Bounds the time for sound that crackles: each is compared with all others.
MOST_COMPARED = 100
# Others this near in height, and in certainty below, say that the sound crackles by itself;
CRACKLE_RANGE_DB = 9.0
# both found on recordings with known answers, as the manual says.
CRACKLE_FACTOR = 8.0
_COMES_BACK = (
    ". It comes back with the sound around it, at the same place: part of a sample or a loop"
)
_ADVICE = "Listen to these places; export again, or redraw the samples in the session."
_ADVICE_RECURRING = "Listen to one of them; mend the sample or the gate if it is not meant."
_INTENDED = frozenset({"crackle", "vinyl", "glitch", "distorted", "clicks"})


def check(file: MeasuredFile, rule: ClickRule) -> Iterator[Finding]:
    """Yield one finding for all clicks over the limits."""
    known = heard(file)
    severity = severity_under(rule.severity, own_severity(file, _INTENDED))
    if known is None or severity is None:
        return
    form, sound = known
    listed = clicks_of(sound.transients.clicks, rule)
    recurring = [click for click in listed if click.recurrences >= rule.min_recurrences]
    single = [click for click in listed if click.recurrences < rule.min_recurrences]
    own = severity_under(rule.recurring_severity, severity)
    if single:
        yield _finding(file, form, severity, single, rule)
    elif recurring and own is not None:
        yield _finding(file, form, own, recurring, rule)


def _finding(
    file: MeasuredFile,
    form: AudioFormat,
    severity: Severity,
    listed: Sequence[ClickFacts],
    rule: ClickRule,
) -> Finding:
    """Tell of clicks that are all of one kind: accidents, or part of their sound."""
    worst = max(listed, key=lambda click: (click.height_db, -click.start))
    at = place(worst.channel, form.channels, worst.start, form.sample_rate_hz)
    which = "click" if len(listed) == 1 else f"{count_of(len(listed), 'click')}, the highest"
    channels = {click.channel for click in listed}
    is_recurring = worst.recurrences >= rule.min_recurrences
    return about_file(
        file,
        ID,
        severity,
        message=f"{which} {at}, {abs(worst.height_db):.1f} dB "
        f"{'below' if worst.height_db < 0 else 'above'} the sound around it "
        f"({count_of(worst.end - worst.start, 'sample')} long; counts from "
        f"{_limit(worst, rule):+.1f} dB){_COMES_BACK if is_recurring else ''}",
        advice=_ADVICE_RECURRING if is_recurring else _ADVICE,
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
    is_clear = not _is_long(click, rule) or click.sigmas >= rule.min_long_sigmas
    return is_clear and click.height_db >= _limit(click, rule)


def _is_long(click: ClickFacts, rule: ClickRule) -> bool:
    return click.end - click.start > rule.max_short_samples


def _limit(click: ClickFacts, rule: ClickRule) -> float:
    """The height in dB from which a click of this length and certainty counts."""
    lower = ratio_from_db(max(0.0, -click.height_db))
    if _is_long(click, rule):
        is_certain = click.sigmas >= rule.min_sure_long_sigmas * lower
        return rule.min_sure_long_height_db if is_certain else rule.min_long_height_db
    is_certain = click.sigmas >= rule.min_sure_sigmas * lower
    return rule.min_sure_height_db if is_certain else rule.min_height_db


def _occurrences(clicks: Sequence[ClickFacts]) -> Occurrences:
    """The ten highest."""
    ranked = sorted(clicks, key=lambda click: (-click.height_db, click.start, click.channel))
    return Occurrences(
        count=len(clicks),
        worst=tuple(
            Occurrence(channel=click.channel, start_sample=click.start, end_sample=click.end)
            for click in ranked[:MAX_WORST]
        ),
        density=listed_density([click.start for click in clicks]),
    )
