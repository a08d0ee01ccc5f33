"""What to ask for again: the files to export anew, in words to be pasted into a mail."""

from __future__ import annotations

from stemprep.checks import CHECKS
from stemprep.model.finding import Finding
from stemprep.model.report import Report
from stemprep.report import figures
from stemprep.report.cards import grave_causes
from stemprep.report.causes import files_of, message_of, place_words
from stemprep.report.escaping import visible

NOTHING = "Nothing has to be exported again.\n"


def render_asking(report: Report) -> str:
    """File by file why and how, the worst first; what deliver repairs is not asked for."""
    wanted: dict[str, list[Finding]] = {}
    general: list[Finding] = []
    for cause in grave_causes(report):
        for finding in () if cause.is_cured else cause.findings:
            for path in files_of(finding):
                wanted.setdefault(path, []).append(finding)
            if not files_of(finding):
                general.append(finding)
    if not wanted and not general:
        return NOTHING
    formats = {file.path: file.facts.format for file in report.measured.files}
    sheet = report.measured.session.sheet
    lines = [] if sheet is None or not sheet.engineer else [f"For {sheet.engineer}:", ""]
    if wanted:
        lines += [f"Please look at {figures.plural(len(wanted), 'file')} and export again:", ""]
    for path, findings in wanted.items():
        lines.append(path)
        for finding in findings:
            place = place_words(finding, formats.get(finding.file or ""))
            where = f" ({place})" if place else ""
            lines.append(f"  - {_heading(finding)}: {message_of(finding)}{where}")
            lines.append(f"    {finding.advice}")
        lines.append("")
    if general:
        lines.append("And for the whole set:")
        for finding in general:
            lines += [f"  - {_heading(finding)}: {message_of(finding)}", f"    {finding.advice}"]
        lines.append("")
    lines.append("Please keep everything else as it was: name, start, sample rate, word length.")
    return "".join(f"{visible(line)}\n" for line in lines)


def _heading(finding: Finding) -> str:
    return CHECKS[finding.check].nature.heading
