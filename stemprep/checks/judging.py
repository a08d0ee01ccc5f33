"""Run every check, decide which findings stand, apply waivers, and come to a verdict."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from stemprep.checks import waiver
from stemprep.checks.bars import with_bars
from stemprep.checks.duplicate_audio import duplicate_groups
from stemprep.checks.explaining import separate_effects
from stemprep.checks.mic_words import air_temperature_c
from stemprep.checks.nature import Check
from stemprep.checks.pairs import pairs_of
from stemprep.checks.song import Song, songs_of
from stemprep.checks.unused import unused_as_notes
from stemprep.checks.waiving import apply_waivers
from stemprep.model.facts import SetFacts
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import MicPair, pair_of_lag
from stemprep.model.report import SongVerdict
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredSession
from stemprep.model.words import SEVERITY_ORDER, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the spec makes of the facts; findings worst first, then in path order."""

    set_facts: SetFacts
    findings: tuple[Finding, ...]
    verdict: Verdict
    songs: tuple[SongVerdict, ...]


def judge_by(
    measured: MeasuredSession, spec: DeliverySpec, checks: Mapping[str, Check]
) -> Judgement:
    """Judge a measured session by a spec with the given checks."""
    songs = songs_of(measured)
    found = _all_findings(measured, songs, spec, checks)
    standing, explained = separate_effects(
        unused_as_notes(found, measured, spec.contents.layout), checks
    )
    marked, objections = apply_waivers(standing, explained, measured, checks)
    notes = waiver.check(objections, spec.rules[waiver.ID])
    told = with_bars((*marked, *notes), songs, measured.session)
    findings = _ranked(told, measured, tuple(checks))
    return Judgement(
        set_facts=replace(
            _set_facts(songs),
            null_tests=measured.null_tests,
            untested_sums=measured.untested_sums,
            mic_pairs=_mic_pairs(measured, spec),
            unclear_mic_pairs=tuple(
                (lag.reference, lag.file) for lag in measured.mic_lags if lag.lag_samples is None
            ),
        ),
        findings=findings,
        verdict=verdict_of(findings),
        songs=tuple(
            SongVerdict(
                song=song.title, verdict=verdict_of(f for f in findings if f.song == song.title)
            )
            for song in songs
        ),
    )


def verdict_of(findings: Iterable[Finding]) -> Verdict:
    """Return the worst that counts; pass where only notes and waived findings stand."""
    severities = {finding.severity for finding in findings if finding.counts}
    if "fail" in severities:
        return "fail"
    return "warn" if "warn" in severities else "pass"


def _all_findings(
    measured: MeasuredSession,
    songs: Sequence[Song],
    spec: DeliverySpec,
    checks: Mapping[str, Check],
) -> Iterator[Finding]:
    for check in checks.values():
        rules = spec.rules[check.id]
        if check.nature.scope == "file":
            for file in measured.files:
                rule = rules.for_role(file.role)
                if rule.severity != "off":
                    yield from check.run(file, rule)
        elif check.nature.scope == "song":
            for song in songs:
                yield from check.run(song, rules)
        elif check.nature.scope == "set":
            yield from check.run(measured, rules)


def _ranked(
    findings: Iterable[Finding], measured: MeasuredSession, order: Sequence[str]
) -> tuple[Finding, ...]:
    """Worst first, then in the order of the drop's paths; what names no file comes first."""
    places = {entry.path: index for index, entry in enumerate(measured.session.entries)}
    ranks = {check: index for index, check in enumerate(order)}

    def key(finding: Finding) -> tuple[int, int, int, str]:
        place = places.get(finding.files[0], len(places)) if finding.files else -1
        return SEVERITY_ORDER[finding.severity], place, ranks[finding.check], finding.message

    return tuple(sorted(findings, key=key))


def _mic_pairs(measured: MeasuredSession, spec: DeliverySpec) -> tuple[MicPair, ...]:
    temperature_c = air_temperature_c(spec.rules["mic-delay"])
    pairs = (pair_of_lag(lag, temperature_c) for lag in measured.mic_lags)
    return tuple(pair for pair in pairs if pair is not None)


def _set_facts(songs: Sequence[Song]) -> SetFacts:
    return SetFacts(
        duplicates=tuple(
            tuple(file.path for file in group)
            for song in songs
            for group in duplicate_groups(song.files)
        ),
        pairs=tuple(
            (pair.left.file.path, pair.right.file.path)
            for song in songs
            for pair in pairs_of(song.compared)[0]
            if not pair.obstacle
        ),
        songs=tuple(song.facts for song in songs),
    )
