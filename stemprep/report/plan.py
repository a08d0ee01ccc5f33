"""The plan as text: every operation on every file with its reason, before any of it runs."""

from __future__ import annotations

from collections.abc import Sequence

from stemprep.model.finding import Finding
from stemprep.model.package import Amendment
from stemprep.model.plan import Companion, LeftOut, OutputPlan, Plan
from stemprep.report import amendment, figures
from stemprep.report.causes import causes
from stemprep.report.layout import Page
from stemprep.report.made import COPIES_WORDS
from stemprep.report.operations import operation_words
from stemprep.report.text import put_cause


def render_plan(
    plan: Plan,
    *,
    width: int = 80,
    blockers: Sequence[Finding] = (),
    corrected: Amendment | None = None,
) -> str:
    """Write the plan as text; no line is wider than ``width`` columns (at least 40).

    blockers:  findings that would stop the delivery, told first.
    corrected: what it corrects in a package; None for a whole drop.
    """
    page = Page(width=width)
    if corrected is not None:
        page.fact(amendment.label(corrected), amendment.amendment_words(corrected))
    _put_head(page, plan, blockers)
    _put_blockers(page, blockers)
    _put_notes(page, plan.notes)
    if plan.outputs:
        page.head("Files of the package")
    for output in sorted(plan.outputs, key=lambda each: not each.is_marked):
        page.blank()
        _put_output(page, output)
    _put_companions(page, plan.companions)
    _put_documents(page, plan)
    _put_left_out(page, plan.left_out)
    return page.text()


def _put_head(page: Page, plan: Plan, blockers: Sequence[Finding]) -> None:
    copies = sum(output.is_copy for output in plan.outputs)
    changed = len(plan.outputs) - copies
    page.fact(
        "Plan",
        f"{figures.plural(len(plan.outputs), 'audio file')}: {copies} copied byte for byte, "
        f"{changed} written anew; {figures.plural(len(plan.documents), 'document')} carried, "
        f"{len(plan.left_out)} left out",
    )
    if blockers:
        stops = f"{figures.plural(len(causes(blockers)), 'cause')} of fail, told below"
        page.fact("Stops", f"nothing would be delivered: {stops}")
    if plan.repairs:
        page.fact("Repairs", f"{figures.plural(len(plan.repairs), 'finding')} of the check")


def _put_blockers(page: Page, blockers: Sequence[Finding]) -> None:
    if blockers:
        page.head("What stops the delivery")
    for cause in causes(blockers):
        page.blank()
        put_cause(page, cause, {})


def _put_notes(page: Page, notes: Sequence[str]) -> None:
    if notes:
        page.head("Decided for the whole set")
        for note in notes:
            page.put(note, "  - ")


def _put_output(page: Page, output: OutputPlan) -> None:
    page.put(output.path, "  ", "  ")
    if output.sources != (output.path,):
        page.put(f"from {figures.and_list(output.sources)}{_channels(output)}", "    ")
    page.put(_result_words(output), "    ")
    rate_hz = None if output.format is None else output.format.sample_rate_hz
    for number, operation in enumerate(output.operations, start=1):
        page.put(operation_words(operation, rate_hz), f"    {number}. ")
        for label, words in (("why", operation.reason), ("evidence", operation.evidence)):
            if words:
                page.put(f"{label}: {words}", "       ")
    if output.cues:
        page.put(f"{figures.plural(len(output.cues), 'cue point')} written into it", "    ")
    if output.dropped_chunks:
        page.put(f"metadata left behind: {', '.join(output.dropped_chunks)}", "    ")
    if output.is_damaged:
        page.put("damaged: could not be read whole; kept as it is", "    ")
    if output.is_doubtful:
        page.put("others may not open it, or read it otherwise; copied as it is", "    ")


def _channels(output: OutputPlan) -> str:
    if not output.source_channels:
        return ""
    words = figures.and_list([str(channel) for channel in output.source_channels])
    return f", {'channel' if len(output.source_channels) == 1 else 'channels'} {words}"


def _result_words(output: OutputPlan) -> str:
    rate_hz = None if output.format is None else output.format.sample_rate_hz
    parts = [
        output.role,
        figures.format_words(output.format),
        figures.length(output.frames, rate_hz),
    ]
    return ", ".join([*parts, f"song {output.song}"] if output.song else parts)


def _put_companions(page: Page, companions: Sequence[Companion]) -> None:
    if companions:
        page.head("Made for the package")
    for companion in companions:
        page.put(companion.path, "  ", "  ")
        if companion.kind != "listening-copies":
            page.put(companion.words, "    ")
    if any(companion.kind == "listening-copies" for companion in companions):
        page.put(f"Each MP3 is a copy of the file of its name. They are {COPIES_WORDS}", "    ")


def _put_documents(page: Page, plan: Plan) -> None:
    if not plan.documents:
        return
    page.head("Documents carried")
    for document in plan.documents:
        same = document.source == document.path
        page.put(document.path if same else f"{document.source} as {document.path}", "  - ")


def _put_left_out(page: Page, left_out: Sequence[LeftOut]) -> None:
    if not left_out:
        return
    page.head("Left out")
    put_left_out(page, left_out)


def put_left_out(page: Page, left_out: Sequence[LeftOut]) -> None:
    """Tell what does not travel, one reason told once with its files; every file is named."""
    by_reason: dict[str, list[str]] = {}
    for item in left_out:
        by_reason.setdefault(item.reason, []).append(item.path)
    for reason, paths in by_reason.items():
        page.put(f"{reason}:", "  ", "  ")
        for path in paths:
            page.put(path, "    - ")
