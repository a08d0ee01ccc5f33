"""Where the place of a finding lies in the package, whose files may begin earlier."""

from __future__ import annotations

from stemprep.model.finding import Finding
from stemprep.model.report import Report
from stemprep.prepare.package_places import place_in_output
from stemprep.units import clock_from_samples


def moved_words(finding: Finding, report: Report) -> str:
    """The time in the package, where the message tells another; "" where both are the same.

    A message tells the time in the dropped file, in front of which silence may since have been put:
    whoever has only the package would look at the wrong place.
    """
    file = next((file for file in report.measured.files if file.path == finding.file), None)
    form = None if file is None else file.facts.format
    if report.plan is None or form is None or not finding.spots:
        return ""
    dropped = finding.spots[0].start_sample
    clock = clock_from_samples(dropped, form.sample_rate_hz)
    if clock not in finding.message:
        return ""
    for output in report.plan.outputs:
        if finding.file in output.sources and output.format is not None:
            place = place_in_output(output, dropped, form.sample_rate_hz)
            if place is None:
                return f" ({clock} as dropped; cut away in this package)"
            here = clock_from_samples(place, output.format.sample_rate_hz)
            return "" if here == clock else f" ({clock} as dropped, {here} in this package)"
    return ""
