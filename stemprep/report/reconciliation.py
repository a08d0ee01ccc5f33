"""What came back of a delivery, as text and JSON."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from stemprep.checks.original_changed import region_words
from stemprep.model.header import AudioFormat
from stemprep.model.plan import Operation, OutputPlan
from stemprep.model.reconciliation import (
    NewFile,
    OriginalFate,
    OriginalStatus,
    Reconciliation,
    RecordingOffset,
    Returned,
)
from stemprep.report import figures
from stemprep.report.causes import Cause, causes
from stemprep.report.layout import Page
from stemprep.report.operations import operation_words
from stemprep.report.return_steps import advice_of, shared_advice, to_do_words
from stemprep.report.text import HEADINGS, put_cause
from stemprep.units import clock_from_samples

MAX_LISTED_REGIONS = 12

STATUS_WORDS: Mapping[OriginalStatus, str] = {
    "identical": "untouched",
    "header-changed": "header only",
    "rewrapped": "repacked",
    "changed": "changed",
    "missing": "not back",
}
STATUS_MEANING: Mapping[OriginalStatus, str] = {
    "identical": "every byte as it was sent",
    "header-changed": "the same sound, to the sample, under another header",
    "rewrapped": "the same sound, to the sample, in another container or word",
    "changed": "another sound",
    "missing": "the package has it whole",
}
_UNPADDED = "unpadded"
_STATES = (*list(STATUS_WORDS.values())[:3], _UNPADDED, *list(STATUS_WORDS.values())[3:])
"""In their order: the same sound first."""
_NAMED = 6


def render_reconciliation(
    result: Reconciliation, *, width: int = 80, is_color: bool = False, is_brief: bool = False
) -> str:
    """All of it as text, the most important first. No line is wider than ``width``.

    is_brief: file by file what came back, without the findings that tell it again in full.
    """
    page = Page(width=width, is_color=is_color)
    returned = result.returned
    page.strong_fact("Back", summary_words(returned))
    page.fact("To do", to_do_words(result))
    if result.accepted is not None:
        page.fact("Package", result.accepted)
    page.blank()
    page.put(held_against_words(result))
    for severity in () if is_brief else ("fail", "warn"):
        _put_causes(page, result, severity)
    _put_originals(page, returned.originals)
    _put_new(page, result, is_brief=is_brief)
    _put_taken(page, result)
    if not is_brief:
        _put_rest(page, result)
    return page.text()


def held_against_words(result: Reconciliation) -> str:
    """What was held against what."""
    returned = result.returned
    return (
        f"{returned.returned}: held against {returned.package} (delivery {returned.number}), "
        f"spec {result.spec_name}."
    )


def summary_words(returned: Returned) -> str:
    """``4 of 6 originals untouched, 1 changed, 1 not back; 3 new files``."""
    counts = {
        status: sum(fate.status == status for fate in returned.originals) for status in STATUS_WORDS
    }
    same = counts["identical"] + counts["header-changed"] + counts["rewrapped"]
    parts = [f"{same} of {figures.plural(len(returned.originals), 'original')} the same in sound"]
    parts += [
        f"{counts[status]} {STATUS_WORDS[status]}"
        for status in ("changed", "missing")
        if counts[status]
    ]
    new = figures.plural(len(returned.new_files), "new file")
    return f"{', '.join(parts)}; {new if returned.new_files else 'nothing new'}"


def _put_causes(page: Page, result: Reconciliation, severity: str) -> None:
    found: Sequence[Cause] = [c for c in causes(result.findings) if c.severity == severity]
    if not found:
        return
    page.head(HEADINGS[found[0].severity])
    formats: dict[str, AudioFormat | None] = {
        file.file: file.format for file in result.returned.new_files
    }
    for cause in found:
        page.blank()
        put_cause(page, cause, formats)


def _put_originals(page: Page, originals: Sequence[OriginalFate]) -> None:
    page.head(f"Originals: {figures.plural(len(originals), 'file')} sent")
    for words in _STATES:
        fates = [fate for fate in originals if state_words(fate) == words]
        if not fates:
            continue
        if any(fate.regions for fate in fates) or words == STATUS_WORDS["changed"]:
            _put_different(page, fates)
            continue
        shown = [fate_words(fate) for fate in fates[:_NAMED]]
        more = [f"{len(fates) - _NAMED} more"] if len(fates) > _NAMED else []
        page.fact(words, figures.and_list([*shown, *more]), indent=2, label_width=13)


def state_words(fate: OriginalFate) -> str:
    """What became of it, in a word or two; without added silence it is no changed one."""
    return _UNPADDED if fate.is_unpadded else STATUS_WORDS[fate.status]


def _put_different(page: Page, fates: Sequence[OriginalFate]) -> None:
    for fate in fates:
        page.fact(state_words(fate), fate_words(fate), indent=2, label_width=13)
        for region in fate.regions[:MAX_LISTED_REGIONS]:
            page.put(region_words(region, fate), " " * 15 + "- ")
        more = len(fate.regions) - MAX_LISTED_REGIONS
        if more > 0:
            page.put(f"and {more} more: see the JSON report", " " * 15 + "- ")


def fate_words(fate: OriginalFate) -> str:
    """``Piano (1).wav (sent as Piano.wav)``; the name alone where it has its own."""
    if fate.returned_as is None:
        lossy = figures.and_list(list(fate.lossy_copies))
        return f"{fate.source} (only as a lossy copy: {lossy})" if lossy else fate.source
    words = [f"sent as {fate.sent_name}"] if fate.is_renamed else []
    words += [f"also {figures.and_list(list(fate.copies))}"] if fate.copies else []
    words += [f"ordered: {', '.join(fate.ordered)}"] if fate.ordered else []
    words += fate.header_words
    detail = f" ({'; '.join(words)})" if words else ""
    return f"{fate.returned_as}{detail}"


def _put_new(page: Page, result: Reconciliation, *, is_brief: bool) -> None:
    returned, is_open = result.returned, result.accepted is None
    if not returned.new_files:
        return
    page.head(f"New: {figures.plural(len(returned.new_files), 'file')}")
    if returned.offset is not None:
        page.put(offset_words(returned.offset), "  ")
        if is_open and is_brief and (shared := shared_advice(result)):
            page.put(shared, "  -> ")
    for file in returned.new_files:
        page.put(f"{file.file} ({figures.format_words(file.format)})", "  - ")
        page.put(f"{start_words(file)}; {file.evidence}", "    ")
        if words := listed_words(file):
            page.put(words, "    ")
        if file.derived_from is not None:
            page.put(f"made of the original {file.derived_from}", "    ")
        if is_open and (advice := advice_of(file, result.findings)):
            page.put(advice, "    -> ")


def _put_taken(page: Page, result: Reconciliation) -> None:
    if not result.taken:
        return
    page.head("In the next delivery")
    for name, path, steps in taken_words(result):
        page.put(f"{name} -> {path}", "  - ")
        for step in steps:
            page.put(step, "    ")


def taken_words(result: Reconciliation) -> list[tuple[str, str, list[str]]]:
    """For each returned file that was taken: its name, its path there, what was done to it."""
    return [
        (
            each.file,
            each.output.path,
            [_step_words(step, each.output) for step in each.output.operations],
        )
        for each in result.taken
    ]


def _step_words(step: Operation, output: OutputPlan) -> str:
    """What was done, and for a place in time what that rests on."""
    rate_hz = None if output.format is None else output.format.sample_rate_hz
    words = operation_words(step, rate_hz)
    return f"{words} ({step.evidence})" if step.name == "place" and step.evidence else words


def offset_words(offset: RecordingOffset) -> str:
    """The lag that all takes share, told once."""
    way = "late" if offset.samples > 0 else "early"
    return (
        f"Recording offset of that room: {figures.plural(abs(offset.samples), 'sample')} {way}, "
        f"the same in {figures.plural(len(offset.files), 'file')}."
    )


def listed_words(file: NewFile) -> str:
    """What the other room says of it: ``kept; guitar solo; take 3; ribbon microphone``."""
    use = {"main": "kept", "alternate": "alternate"}.get(file.use or "", "")
    line = file.listed
    if line is None:
        return f"{use} by its name" if use else ""
    said = (
        use,
        line.part,
        line.player,
        line.take and f"take {line.take}",
        line.microphone,
        line.printed_with and f"printed with {line.printed_with}",
        line.notes,
    )
    return "; ".join(filter(None, said))


def start_words(file: NewFile) -> str:
    """``starts at 0:03.000 of the session (sample 144,000)``."""
    form = file.session_format
    if file.start_sample is None or form is None:
        return "where it starts is not known"
    sign = "-" if file.start_sample < 0 else ""
    clock = clock_from_samples(abs(file.start_sample), form.sample_rate_hz)
    return f"starts at {sign}{clock} of the session (sample {file.start_sample:,})"


def _put_rest(page: Page, result: Reconciliation) -> None:
    notes = good_to_know(result)
    if notes:
        page.head("Good to know")
    for note in notes:
        page.put(note, "  - ")


def good_to_know(result: Reconciliation) -> list[str]:
    """Notes, what came back of our own making, and remarks on spec and sheet, a line each."""
    lines: list[str] = []
    for cause in (each for each in causes(result.findings) if each.severity == "note"):
        lines += _note_lines(cause)
    if result.returned.given_back:
        files = figures.plural(len(result.returned.given_back), "file")
        lines.append(f"{files} made for the package came back too; the package has them")
    return [*lines, *result.notes]


def _note_lines(cause: Cause) -> Iterator[str]:
    """One line where all files have one message, else one for each."""
    if cause.shared_message is not None:
        name = f"{figures.and_list(list(cause.files[:_NAMED]))}: " if cause.files else ""
        yield f"{cause.title}: {name}{cause.shared_message}"
        return
    for finding in cause.findings[:_NAMED]:
        yield f"{cause.check}: {figures.and_list(list(finding.files))}: {finding.message}"
    if len(cause.findings) > _NAMED:
        yield f"{cause.check}: {len(cause.findings) - _NAMED} more: see the JSON report"
