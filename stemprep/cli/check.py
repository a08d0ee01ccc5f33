"""``stemprep check``: measure a drop and print what is wrong."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import (
    drop_argument,
    excerpts_option,
    html_option,
    is_standard_output,
    json_option,
    quiet_option,
    spec_option,
)


@click.command("check")
@drop_argument
@spec_option
@json_option
@html_option
@excerpts_option
@quiet_option
def command(
    drop: Path,
    spec_name: str,
    json_file: Path | None,
    html_file: Path | None,
    is_excerpts: bool,
    quiet: bool,
) -> int:
    """Measure DROP (a folder or zip) and say what is wrong with it, and where.

    Nothing is written into DROP. Exit code 1 when a finding of severity fail stands.
    """
    from stemprep.app.check.inspect import inspect  # --help must not load numpy
    from stemprep.cli.output import (
        emit_report,
        refuse_report_places,
        show_progress,
    )

    refuse_report_places(drop, json_file, html_file)
    is_read = html_file is not None or not (quiet or is_standard_output(json_file))
    report = inspect(
        drop,
        spec_name,
        on_progress=show_progress,
        is_outlook_wanted=is_read,
        closeups="none" if html_file is None else "heard" if is_excerpts else "seen",
    )
    emit_report(report, json_file=json_file, html_file=html_file, quiet=quiet)
    return 0 if report.passed else 1
