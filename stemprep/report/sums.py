"""What adds up to which mix of a package, and first of all what was not summed and why.

Named and measured as in the package; where nothing was written yet, as in the drop.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import replace

from stemprep.model.header import AudioFormat
from stemprep.model.null_test import NullTest, UntestedSum
from stemprep.model.package import WrittenFile
from stemprep.model.report import Report
from stemprep.report import figures
from stemprep.report.null_tests import null_line, part_words
from stemprep.report.operations import ordered_gain_db

Line = tuple[str, str]

NOT_SUMMED = "Not summed"
_FORMS = Mapping[str, AudioFormat | None]


def sum_lines(song: str, report: Report, written: Sequence[WrittenFile]) -> tuple[Line, ...]:
    """Label and words for each null test of a song of the package, with the peak of each sum."""
    tests = (test for test in null_tests_inside(report, written) if test.song == song)
    return tuple(line for test in tests for line in (("Null test", null_line(test)), _peak(test)))


def _peak(test: NullTest) -> Line:
    peak = figures.level(test.sum_peak_dbfs, "dBFS")
    if test.parts == "stems":
        return "Stems' sum", f"peaks at {peak} with every stem at unity"
    return "Their sum", f"{part_words(test)} peak at {peak} with each at unity"


def unsummed_lines(song: str, report: Report, written: Sequence[WrittenFile]) -> tuple[Line, ...]:
    """Every stem of the song that no null test has summed, with the reason; none: all were."""
    files = [file for file in written if file.plan.song == song]
    stems = [file.plan.path for file in files if file.plan.role == "stem" and not file.made_by_us]
    tests = [test for test in null_tests_inside(report, written) if test.song == song]
    summed = {path for test in tests for path in test.stems}
    left = [path for path in stems if path not in summed]
    forms = {file.plan.path: file.after.format for file in files}
    alternates = {file.plan.path for file in files if file.plan.role == "alternate-mix"}
    lines: list[Line] = []
    for untested in _untested_inside(report, written):
        if untested.song == song and not summed.issuperset(untested.stems):
            lines.append((NOT_SUMMED, _untested_words(untested, forms, alternates)))
            left = [path for path in left if path not in untested.stems]
    if left:
        count = figures.plural(len(left), "stem")
        why = _reason(files, stems, left, report)
        lines.append((NOT_SUMMED, f"{count} ({figures.file_list(left)}): {why}"))
    return tuple(lines)


def _untested_words(untested: UntestedSum, forms: _FORMS, alternates: Container[str]) -> str:
    """``6 stems against M.wav: A.wav at 44.1 kHz, the mix at 48 kHz; the stems are A.wav, ...``."""
    is_of_alternates = all(path in alternates for path in untested.stems)
    one, several = ("alternate mix", "alternate mixes") if is_of_alternates else ("stem", "stems")
    begin = f"{figures.plural(len(untested.stems), one, several)} against {untested.reference}"
    odd, mix = figures.file_list(untested.odd), forms.get(untested.reference)
    theirs = next((form for path in untested.odd if (form := forms.get(path))), None)
    if untested.obstacle == "sample-rate" and theirs is not None and mix is not None:
        why = f"{odd} at {figures.rate(theirs.sample_rate_hz)}, the mix at "
        why += figures.rate(mix.sample_rate_hz)
    elif untested.obstacle == "channels" and theirs is not None and mix is not None:
        why = f"{odd} {figures.channels(theirs.channels)}, the mix {figures.channels(mix.channels)}"
    else:
        why = f"{odd} cannot be read as a whole"
    if set(untested.odd) == set(untested.stems):
        return f"{begin}: {why}"  # all of them have been named
    return f"{begin}: {why}; the {several} are {figures.file_list(untested.stems)}"


def _reason(
    files: Sequence[WrittenFile], stems: Sequence[str], left: Sequence[str], report: Report
) -> str:
    if not any(file.plan.role == "mix" for file in files):
        return "no mix in this package"
    uses = {file.path: file.use for file in report.measured.session.files}
    sources = [file.plan.sources[0] for file in files if file.plan.path in left]
    if all(uses.get(source, "main") != "main" for source in sources):
        return "set aside in the session sheet, as unused or an alternate"
    if len(stems) == 1:
        return "one stem alone makes no sum"
    return "why is not known; see the report"


def gain_lines(files: Sequence[WrittenFile]) -> tuple[Line, ...]:
    """Each gain that changed the level of files of a song, and of which; none: no level changed."""
    dropped = [file for file in files if not file.made_by_us]
    by_gain: dict[float, list[WrittenFile]] = {}
    for file in dropped:
        by_gain.setdefault(ordered_gain_db(file.plan.operations), []).append(file)
    return tuple(
        (
            "Gain",
            f"{gain_db:+.2f} dB on {_which(changed, dropped)}, as ordered in the session sheet; "
            "the figures here are of the files as delivered",
        )
        for gain_db, changed in by_gain.items()
        if gain_db
    )


def _which(changed: Sequence[WrittenFile], files: Sequence[WrittenFile]) -> str:
    roles = {file.plan.role for file in changed}
    if len(changed) > 1 and len(changed) == len(files):
        return "every file"
    if len(changed) > 1 and all(file in changed for file in files if file.plan.role in roles):
        kinds = [kind for kind in ("mix", "stem") if any(kind in role for role in roles)]
        if all(any(kind in role for kind in kinds) for role in roles):
            return f"every {' and '.join(kinds)}"
    return figures.file_list([file.plan.path for file in changed])


def null_tests_inside(report: Report, written: Sequence[WrittenFile]) -> tuple[NullTest, ...]:
    """The null tests of what was written, else those of the drop under the package's names."""
    if report.delivered is not None:
        return report.delivered.null_tests
    paths = package_paths(written)
    return tuple(
        replace(
            test,
            reference=paths.get(test.reference, test.reference),
            stems=_renamed(test.stems, paths),
        )
        for test in report.set_facts.null_tests
    )


def _untested_inside(report: Report, written: Sequence[WrittenFile]) -> Iterable[UntestedSum]:
    if report.delivered is not None:
        return report.delivered.untested_sums
    paths = package_paths(written)
    return tuple(
        replace(
            each,
            reference=paths.get(each.reference, each.reference),
            stems=_renamed(each.stems, paths),
            odd=_renamed(each.odd, paths),
        )
        for each in report.set_facts.untested_sums
    )


def package_paths(written: Sequence[WrittenFile]) -> dict[str, str]:
    """Dropped path -> path in the package; a receiver knows no others."""
    return {
        source: file.plan.path
        for file in written
        if not file.made_by_us
        for source in file.plan.sources
    }


def _renamed(paths: Sequence[str], names: Mapping[str, str]) -> tuple[str, ...]:
    return tuple(names.get(path, path) for path in paths)
