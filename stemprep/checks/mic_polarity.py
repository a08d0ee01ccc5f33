"""Microphones of one source with opposite polarity.

Added together they thin each other out, most of all in the low end. Under a snare drum that is how
it has to be: the lower skin moves away when the upper one moves towards its microphone. Between two
microphones on the same side one lead is wired the other way round.

Measured: the sign of the strongest correlation at the delay between both (see mic-delay), for
microphones of one source and for distant microphones of the kit against close ones, by the majority
of those that are clear; a microphone that itself hears the far side of a drum has no vote.
Left and right of one pair, by name, are compared in the low end alone (40 to 200 Hz), where a wave
is longer than they stand apart: the correlation at or below which half of the loud places are.
Limit: -0.4 for left and right, 0.2 where the strongest correlation of the whole band is negative
as well; a warning also where the session sheet declares two microphones a
pair (`pair_of`) that do not stand on opposite sides; others are notes (common practice, no source).
Passes: top and bottom of a snare drum with opposite polarity, with a note; a room in phase.
Fails: two microphones that the sheet calls a pair, one of them inverted.
To do: decide by ear. Nothing is ever flipped unless the session sheet orders it by name.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stemprep.checks.mic_words import (
    MOST_NAMED,
    are_opposite_sides,
    known_pairs,
    spoken,
    stereo_sides,
    without_far_sides,
)
from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_files, channel_name, listed, severity_under
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import CELSIUS_OF_0_K, MicPair
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.words import Severity

ID = "mic-polarity"
# As the manual says: left and right of a pair hear one low end and agree there.
_MAX_LOW_CORRELATION = -0.4
_MAX_AGREEING_LOW_CORRELATION = 0.2
"""Where the strongest correlation of the whole band is negative too."""
NATURE = Nature(
    scope="set",
    heading="Microphone out of polarity",
    files_are="inverted",
    concern="together",
)


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding a microphone that is inverted against the others of its source."""
    by_path = {file.path: file for file in measured.files}
    everything = known_pairs(measured, -CELSIUS_OF_0_K)  # polarity does not ask how warm it is
    trusted = without_far_sides(everything)
    sides = stereo_sides(measured)
    yield from _inverted_sides(measured, rules, sides)
    for path, pairs in everything.items():
        inverted = [
            pair
            for pair in _inverted(pairs, trusted[path])
            if frozenset({pair.reference, pair.file}) not in sides
        ]
        if not inverted:
            continue
        severity = severity_under(
            rules.for_role(by_path[path].role).severity, _own_severity(inverted)
        )
        if severity is not None:
            yield _finding(by_path[path], inverted, by_path, severity)


def _inverted_sides(
    measured: MeasuredSession, rules: RuleTable, sides: frozenset[frozenset[str]]
) -> Iterator[Finding]:
    """Yield a finding for each left and right whose low ends move against each other."""
    by_path = {file.path: file for file in measured.files}
    for lag in measured.mic_lags:
        low = lag.low_correlation
        if frozenset({lag.reference, lag.file}) not in sides or low is None:
            continue
        severity = severity_under(rules.for_role(by_path[lag.file].role).severity)
        is_inverted = lag.polarity == "inverted"
        most = _MAX_AGREEING_LOW_CORRELATION if is_inverted else _MAX_LOW_CORRELATION
        if severity is None or low > most:
            continue
        yield about_files(
            [by_path[lag.file]],
            ID,
            severity,
            message=f"{spoken(lag.file)} is inverted against {spoken(lag.reference)}: left and "
            f"right of one pair move against each other in the low end (correlation {low:.2f})",
            advice="Find the side that was wired or switched the other way and turn it at its "
            "source; nothing is flipped unless the session sheet orders it.",
            against=[by_path[lag.reference]],
            found="inverted",
            required="same",
        )


def _inverted(pairs: Sequence[MicPair], trusted: Sequence[MicPair]) -> list[MicPair]:
    """Where the file is inverted: near microphones each, distant ones by their majority."""
    near = [pair for pair in pairs if pair.relation != "kit" and pair.polarity == "inverted"]
    kit = [pair for pair in trusted if pair.relation == "kit"]
    against = sum(pair.confidence for pair in kit if pair.polarity == "inverted")
    with_it = sum(pair.confidence for pair in kit if pair.polarity == "same")
    voted = [pair for pair in kit if pair.polarity == "inverted"] if against > with_it else []
    return [*near, *voted]


def _own_severity(inverted: Sequence[MicPair]) -> Severity:
    is_declared = any(
        pair.relation == "pair" and not are_opposite_sides(pair.reference, pair.file)
        for pair in inverted
    )
    return "fail" if is_declared else "note"


def _finding(
    file: MeasuredFile,
    inverted: Sequence[MicPair],
    by_path: dict[str, MeasuredFile],
    severity: Severity,
) -> Finding:
    names = listed([spoken(pair.reference) for pair in inverted], MOST_NAMED)
    return about_files(
        [file],
        ID,
        severity,
        message=f"{spoken(file.path)}{_channel(inverted[0], file)} is inverted against {names}"
        f"{_reason(inverted)}",
        advice="Listen to both together; nothing is flipped unless the session sheet orders it.",
        against=[by_path[pair.reference] for pair in inverted],
        found="inverted",
        required="same",
    )


def _channel(pair: MicPair, file: MeasuredFile) -> str:
    if pair.channel is None or file.facts.format is None:
        return ""
    return f" ({channel_name(pair.channel, file.facts.format.channels)})"


def _reason(inverted: Sequence[MicPair]) -> str:
    first = inverted[0]
    if are_opposite_sides(first.reference, first.file):
        return ", as a microphone on the other side of it usually is"
    if first.relation == "pair":
        return ", which the session sheet calls its pair: one of the leads is wired the other way"
    return ": together they lose low end"
