"""Stems that do not add up to the mix.

Whoever gets stems takes for granted that all faders at zero give the mix. Where they do not, a stem
was printed at another level, moved, inverted, cut, or not printed at all; or the mix went through
a bus that the stems did not.

Measured: for each song with a mix and at least two stems the sum of the stems against the mix, in
float64; a common gain is fitted and is no fault. What is left is compared with what the word
lengths of the files can leave. Where it is more, the file that explains it is looked for. Raw
tracks, alternates, rough mixes, listening copies, click and talkback are not summed; one
instrumental and one a cappella are a set of their own, a note where the bus is why they differ.
Of revisions beside each other the one that the sheet states is tested, else the newest, unless the
sheet names the reference mix; what the sheet calls unused or an alternate is not summed. Where a
stem is at another rate than the mix there is no test: that is a note, with the stems that differ.
Limit: 3 dB over the theory of TPDF dither for the word lengths at hand, and never over 1.5 steps a
file (common practice; the theory: Lipshitz, Wannamaker and Vanderkooy, JAES 40, 1992).
Passes: eight 24-bit stems that leave -128 dBFS; the same 3.1 dB louder than the mix, all alike.
Fails: one stem 0.5 dB too loud; a stem missing; a mix through a bus compressor. A processed mix bus
is the rule, so this is a warning, and a fail only where the session sheet says `mix_bus_processed:
false`.
To do: export the named stem again from the same mix, or print the stems and the mix through the
same bus.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from stemprep.checks.nature import Nature
from stemprep.checks.null_words import UNTESTED_ADVICE, advice_of, message_of, untested_words
from stemprep.checks.tell import about_files, finite, severity_under, worst_ceiling
from stemprep.model.finding import Finding
from stemprep.model.null_test import NullCause, NullTest, UntestedSum
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.words import Severity

ID = "null-test"
NATURE = Nature(
    scope="set",
    heading="Stems do not add up to the mix",
    files_are="not adding up to the mix",
    concern="together",
)


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for the stems of a song that do not add up to any of its mixes."""
    by_set: dict[tuple[str, tuple[str, ...]], list[NullTest]] = {}
    for test in measured.null_tests:
        by_set.setdefault((test.song, test.stems), []).append(test)
    for tests in by_set.values():
        if all(test.verdict == "not" for test in tests):
            nearest = min(tests, key=lambda test: test.residual_rms_dbfs)
            yield from _finding(nearest, measured, rules)
    tested = {(test.song, test.stems) for test in measured.null_tests}
    for untested in measured.untested_sums:
        if (untested.song, untested.stems) not in tested:
            yield from _untested(untested, measured, rules)


def _untested(
    untested: UntestedSum, measured: MeasuredSession, rules: RuleTable
) -> Iterator[Finding]:
    """Say why there is no test; damage is told by the checks that found it."""
    by_path = {file.path: file for file in measured.files}
    odd = [by_path[path] for path in untested.odd]
    severity = severity_under(worst_ceiling(rules, odd), "note")
    if severity is None:
        return
    yield about_files(
        odd,
        ID,
        severity,
        message=untested_words(untested, odd, by_path[untested.reference]),
        advice=UNTESTED_ADVICE[untested.obstacle],
        against=[by_path[untested.reference]],
    )


def blamed_files(test: NullTest) -> tuple[str, ...]:
    """The files that would have to change, equal alternatives among them, in the set's order."""
    named = {cause.file for cause in _all_causes(test.causes) if cause.file is not None}
    return tuple(path for path in (*test.stems, test.reference) if path in named)


def _all_causes(causes: Sequence[NullCause]) -> Iterator[NullCause]:
    for cause in causes:
        yield cause
        yield from cause.alternatives


def _finding(test: NullTest, measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    by_path = {file.path: file for file in measured.files}
    blamed = blamed_files(test)
    files = [by_path[path] for path in blamed or (test.reference,)]
    against = [test.reference] if blamed and test.reference not in blamed else list(test.stems)
    are_alternates = any(by_path[path].role == "alternate-mix" for path in test.stems)
    own = "note" if are_alternates and not blamed else _own_severity(test, measured)
    severity = severity_under(worst_ceiling(rules, files), own)
    if severity is None:
        return
    start_sample, end_sample = _span(test, files)
    yield Finding(
        check=ID,
        severity=severity,
        message=message_of(test),
        advice=advice_of(test),
        file=files[0].path if len(files) == 1 else None,
        files=tuple(file.path for file in files),
        against=tuple(against),
        song=test.song,
        start_sample=start_sample,
        end_sample=end_sample,
        found=finite(test.residual_rms_dbfs),
        required=finite(test.limit_rms_dbfs),
        unit="dBFS",
    )


def _own_severity(test: NullTest, measured: MeasuredSession) -> Severity:
    """A processed mix bus is the rule; only who says that there is none has a fault."""
    sheet = measured.session.sheet
    notes = () if sheet is None else sheet.songs
    is_unprocessed = any(
        note.title == test.song and note.mix_bus_processed is False for note in notes
    )
    return "fail" if is_unprocessed else "warn"


def _span(test: NullTest, files: Sequence[MeasuredFile]) -> tuple[int | None, int | None]:
    """Where it holds, for a single cause in a single file with a place."""
    if len(files) != 1 or len(test.causes) != 1:
        return None, None
    cause = test.causes[0]
    return cause.start_sample, cause.end_sample
