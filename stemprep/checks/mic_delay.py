"""Microphones of one source that hear it one after the other.

A microphone three metres off hears the drum 9 ms after the one beside it. That is how the room
sounds and no fault; who adds both has to know it, and who looks for a shifted track must not take
it for one.

Measured: where the close microphone is loudest, its own source plays; from the spectra of these
places the delay of the other microphone is found by the phase transform (Knapp and Carter, IEEE
Trans. ASSP-24, 1976), to a fraction of a sample. Compared are microphones of one source, and every
distant microphone of the kit with every close one. The way is the time by the speed of sound,
331.3 sqrt(1 + T / 273.15) m/s, 343.2 m/s at 20 C. Unless the strongest delay stands out, nothing
is told.
Limit: none; always a note. A microphone six to eight feet above a drum is 5.3 to 7.1 ms late
(common practice, no source).
Passes: a bottom microphone 0.3 ms after the top one; a room microphone 14 ms after the snare's.
Fails: nothing by itself; a distant microphone that is earlier than the close one has been moved.
To do: nothing. Nothing is ever shifted unless the session sheet orders it by name.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stemprep.checks.mic_words import (
    MOST_NAMED,
    MicDelayRule,
    air_temperature_c,
    known_pairs,
    spoken,
    stereo_sides,
    without_far_sides,
)
from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_files, listed, severity_under
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import MicPair
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredFile, MeasuredSession

ID = "mic-delay"
NATURE = Nature(
    scope="set",
    heading="Microphone at another time",
    concern="sound",
    rule=MicDelayRule,
)
_LEAST_SAMPLES = 0.75
_UNSURE = 0.75
_SIX_TO_EIGHT_FEET_MS = (5.3, 7.15)


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield a note for each microphone that is later or earlier than others of its source."""
    by_path = {file.path: file for file in measured.files}
    sides = stereo_sides(measured)
    pairs_by_file = without_far_sides(known_pairs(measured, air_temperature_c(rules)))
    for path, pairs in pairs_by_file.items():
        severity = severity_under(rules.for_role(by_path[path].role).severity, "note")
        apart = [
            pair
            for pair in pairs
            if abs(pair.lag_samples) >= _LEAST_SAMPLES
            and frozenset({pair.reference, pair.file}) not in sides
        ]
        if severity is not None and apart:
            yield about_files(
                [by_path[path]],
                ID,
                severity,
                message=_message(apart, by_path),
                advice="Nothing is shifted unless the session sheet orders it by name.",
                against=[by_path[pair.reference] for pair in apart],
                found=round(apart[0].lag_samples, 2),
                unit="samples",
            )


def _message(pairs: Sequence[MicPair], by_path: dict[str, MeasuredFile]) -> str:
    first = pairs[0]
    rest = [spoken(pair.reference) for pair in pairs[1:]]
    also = f" (also measured against {listed(rest, MOST_NAMED)})" if rest else ""
    way = "later" if first.lag_samples > 0 else "earlier"
    unsure = ", not certain," if first.confidence < _UNSURE else ""
    return (
        f"{spoken(first.file)} is{unsure} {abs(first.lag_ms):.1f} ms "
        f"({abs(first.distance_m):.1f} m) {way} than {spoken(first.reference)}: "
        f"{_reason(first, by_path[first.reference])}{also}"
    )


def _reason(pair: MicPair, reference: MeasuredFile) -> str:
    if pair.lag_samples < 0:
        return "the close microphone should be first; look whether one of them was moved"
    if reference.role == "di":
        return "the cable is faster than the air, nothing to fix"
    low, high = _SIX_TO_EIGHT_FEET_MS
    if pair.relation == "kit" and low <= pair.lag_ms <= high:
        return "the way of the sound from six to eight feet, nothing to fix"
    return "the way of the sound, nothing to fix"
