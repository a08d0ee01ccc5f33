"""Microphones of one source that hear it one after the other.

A microphone three metres off hears the drum 9 ms after the one beside it. That is how the room
sounds and no fault; who adds both has to know it, and who looks for a shifted track must not take
it for one. A lag that no usual distance explains is a track that was moved, or another source.

Measured: where the close microphone is loudest, its own source plays; from the spectra of these
places the delay of the other microphone is found by the phase transform (Knapp and Carter, IEEE
Trans. ASSP-24, 1976), to a fraction of a sample. Compared are microphones of one source, and every
distant microphone of the kit with every close one. Metres are the time by the speed of sound,
331.3 sqrt(1 + T / 273.15) m/s, 343.2 m/s at 20 C. Unless the strongest delay stands out, nothing
is told.
Limit: 10 ms between microphones at one source and between an amplifier and its DI, 12 ms for
overheads, 100 ms for room microphones, 5 ms for a distant microphone before a close one (common
practice, no source). How far one stands is told from its name.
Passes: a bottom microphone 0.3 ms after the top one; a room microphone 14 ms after the snare's.
Fails: the outer microphone of a kick drum 45 ms after the inner one; a DI a second before its amp.
To do: within the limit nothing; beyond it, look at both together and export the moved one again.
Nothing is ever shifted unless the session sheet orders it by name.
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
from stemprep.model.mic_pairs import MicPair, Stand
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredSession

ID = "mic-delay"
NATURE = Nature(
    scope="set",
    heading="Microphone at another time",
    files_are="with an unusual delay",
    concern="together",
    rule=MicDelayRule,
)
# Less is no delay that somebody could take out by whole samples.
_LEAST_SAMPLES = 0.75
# Of 1: below, the second likeliest lag stands more than half as high as the first.
_UNSURE = 0.75
_NORMAL_FOR: dict[Stand, str] = {
    "close": "one source",
    "overhead": "an overhead",
    "room": "a room microphone",
}
_ADVICE = "Nothing is shifted unless the session sheet orders it by name."
_MOVED_ADVICE = (
    "Look at both together where a hit begins; export the moved one again, or name it for what it "
    "is. " + _ADVICE
)


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for each microphone that is later or earlier than others of its source."""
    by_path = {file.path: file for file in measured.files}
    sides = stereo_sides(measured)
    pairs_by_file = without_far_sides(known_pairs(measured, air_temperature_c(rules)))
    for path, pairs in pairs_by_file.items():
        rule = rules.for_role(by_path[path].role)
        assert isinstance(rule, MicDelayRule), "the rule of mic-delay"
        apart = [
            pair
            for pair in pairs
            if abs(pair.lag_samples) >= _LEAST_SAMPLES
            and not (
                frozenset({pair.reference, pair.file}) in sides
                and abs(pair.lag_ms) <= _limit_ms(pair, rule)
            )
        ]
        if not apart:
            continue
        limit_ms = _limit_ms(apart[0], rule)
        is_usual = abs(apart[0].lag_ms) <= limit_ms
        severity = severity_under(rule.severity, "note" if is_usual else "fail")
        if severity is not None:
            yield about_files(
                [by_path[path]],
                ID,
                severity,
                message=_message(apart, limit_ms),
                advice=_ADVICE if is_usual else _MOVED_ADVICE,
                against=[by_path[pair.reference] for pair in apart],
                found=round(apart[0].lag_samples, 2) if is_usual else round(apart[0].lag_ms, 2),
                required=None if is_usual else limit_ms,
                unit="samples" if is_usual else "ms",
            )


def _limit_ms(pair: MicPair, rule: MicDelayRule) -> float:
    if pair.stand == "close":
        return rule.max_close_ms
    if pair.lag_ms < 0:
        return rule.max_early_ms
    return rule.max_overhead_ms if pair.stand == "overhead" else rule.max_room_ms


def _message(pairs: Sequence[MicPair], limit_ms: float) -> str:
    first = pairs[0]
    rest = [spoken(pair.reference) for pair in pairs[1:]]
    also = f" (also measured against {listed(rest, MOST_NAMED)})" if rest else ""
    way = "later" if first.lag_samples > 0 else "earlier"
    unsure = ", not certain," if first.confidence < _UNSURE else ""
    return (
        f"{spoken(first.file)} is{unsure} {abs(first.lag_ms):,.1f} ms "
        f"({abs(first.distance_m):,.1f} m) {way} than {spoken(first.reference)}"
        f"{_reading(first, limit_ms)}{also}"
    )


def _reading(pair: MicPair, limit_ms: float) -> str:
    """What the lag means: normal is said inside the limit of the stand only."""
    if abs(pair.lag_ms) > limit_ms:
        return f", at most {limit_ms:g} ms are usual: moved, or not of this source"
    if pair.stand != "close" and pair.lag_samples < 0:
        return ": a microphone farther off should be later; look whether one of them was moved"
    return f": normal for {_NORMAL_FOR[pair.stand]} (up to {limit_ms:g} ms)"
