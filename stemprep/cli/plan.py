"""``stemprep plan``: show what a delivery would do."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import (
    amends_option,
    delivery_spec_option,
    drop_argument,
    json_option,
    quiet_option,
    reason_option,
)


@click.command("plan")
@drop_argument
@delivery_spec_option
@amends_option
@reason_option
@json_option
@quiet_option
def command(
    drop: Path,
    spec_name: str | None,
    amends: Path | None,
    reason: str | None,
    json_file: Path | None,
    quiet: bool,
) -> int:
    """Show the operations a delivery of DROP would run, with reasons; change nothing.

    Exit code 1 when a finding would stop the delivery.
    """
    from stemprep.app.corrections.correction import correction_of, spec_for
    from stemprep.app.delivery.deliver import plan, stopping  # --help must not load numpy
    from stemprep.cli.output import put, refuse_report_places, show_progress
    from stemprep.report import render_json, render_plan

    refuse_report_places(drop, json_file)
    correction = correction_of(amends, reason)
    spec = spec_for(spec_name, correction)
    report = plan(drop, spec, correction=correction, on_progress=show_progress)
    planned = report.plan
    assert planned is not None

    def text() -> str:
        return render_plan(planned, blockers=stopping(report), corrected=report.amendment)

    put((json_file, lambda: render_json(report)), shown=None if quiet else text)
    return 0 if report.passed else 1
