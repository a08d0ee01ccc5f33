"""What is left to do about a return: everything that says so follows from the findings, here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from stemprep.checks.late_entry import ID as LATE_ENTRY
from stemprep.checks.missing_file import ID as MISSING_FILE
from stemprep.checks.mixed_formats import ID as MIXED_FORMATS
from stemprep.checks.original_changed import ID as ORIGINAL_CHANGED
from stemprep.checks.original_missing import ID as ORIGINAL_MISSING
from stemprep.checks.silent_file import ID as SILENT_FILE
from stemprep.checks.unplaced import ID as UNPLACED
from stemprep.checks.wrong_speed import ID as WRONG_SPEED
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import NewFile, Reconciliation
from stemprep.report import figures

_NOUNS: Mapping[str, tuple[str, str]] = {
    ORIGINAL_MISSING: ("missing original", "missing originals"),
    ORIGINAL_CHANGED: ("changed original", "changed originals"),
    UNPLACED: ("new file whose start is not known", "new files whose start is not known"),
    LATE_ENTRY: ("new file that is out of time", "new files that are out of time"),
    WRONG_SPEED: ("new file at another speed", "new files at another speed"),
    MISSING_FILE: ("listed file that is not there", "listed files that are not there"),
    SILENT_FILE: ("silent file", "silent files"),
    MIXED_FORMATS: ("file of another format", "files of another format"),
}
"""The checks of which people speak by what is wrong with how many files; others by their id."""
_QUESTIONS = frozenset({LATE_ENTRY})
"""Checks whose notes too are worth asking the room about before its files are used."""


def to_do_words(result: Reconciliation) -> str:
    """What a person has to decide, or ask, before the return can be used."""
    decisions = [each for each in result.findings if each.counts and each.severity != "note"]
    if decisions:
        return f"Decide about {_counted(decisions)}."
    is_open = bool(result.returned.new_files) and result.accepted is None
    questions = [each for each in result.findings if _is_question(each)]
    if questions and is_open:
        return f"Nothing to decide; first ask about {_counted(questions)}, then accept it."
    return "Nothing; accept it." if is_open else "Nothing."


def advice_of(file: NewFile, findings: Iterable[Finding]) -> str:
    """What to do with one new file: the advice of what was found in it alone; "" where nothing was.

    What it shares with other files is told once, of all of them.
    """
    return " ".join(_advices(each for each in findings if each.files == (file.file,)))


def shared_advice(result: Reconciliation) -> str:
    """What to do about the lag that all takes share; "" where there is none, or it is done."""
    files = () if result.returned.offset is None else result.returned.offset.files
    return " ".join(_advices(each for each in result.findings if each.files == files and files))


def _advices(findings: Iterable[Finding]) -> list[str]:
    due = (
        each
        for each in findings
        if each.advice and each.counts and (each.severity != "note" or _is_question(each))
    )
    return list(dict.fromkeys(each.advice for each in due))


def _is_question(finding: Finding) -> bool:
    return finding.counts and finding.severity == "note" and finding.check in _QUESTIONS


def _counted(findings: Sequence[Finding]) -> str:
    files: dict[str, set[str]] = {}
    for finding in findings:
        files.setdefault(finding.check, set()).update(finding.files)
    named = [
        f"{len(files[check])} {several if len(files[check]) != 1 else one}"
        for check, (one, several) in _NOUNS.items()
        if check in files
    ]
    return figures.and_list([*named, *(check for check in files if check not in _NOUNS)])
