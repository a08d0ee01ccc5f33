"""What goes to the terminal, and what to files."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from stemprep.cli.options import is_standard_output
from stemprep.model.reconciliation import Reconciliation
from stemprep.model.report import Report
from stemprep.report.escaping import visible

_CLEAR_LINE = "\r\x1b[K"


def show_progress(done: int, total: int, path: str) -> None:
    """One line that rewrites itself on a terminal; nothing at all in a pipe."""
    if not sys.stderr.isatty():
        return
    name = visible(path)[-44:]
    line = f"{done} of {total} files, {name}" if done < total else ""
    sys.stderr.write(_CLEAR_LINE + line)
    sys.stderr.flush()


def refuse_report_places(drop: Path, *files: Path | None) -> None:
    """Report files may not lie inside the drop; said before anything is measured."""
    from stemprep.app.places import refuse_inside_drop

    for file in files:
        if file is not None and not is_standard_output(file):
            refuse_inside_drop(file, drop, "the report")


def emit_report(
    report: Report, *, json_file: Path | None, html_file: Path | None, quiet: bool
) -> None:
    """Write the report files asked for, and the text unless JSON has standard output."""
    from stemprep.app.places import write_report_file

    if html_file is not None:
        from stemprep.report import render_html

        write_report_file(html_file, render_html(report))
    if json_file is not None:
        from stemprep.report import render_json

        if is_standard_output(json_file):
            click.echo(render_json(report), nl=False)
            return
        write_report_file(json_file, render_json(report))
    if not quiet:
        from stemprep.report import render_text

        click.echo(render_text(report, is_color=sys.stdout.isatty()), nl=False)


def emit_reconciliation(
    result: Reconciliation, *, json_file: Path | None, html_file: Path | None, quiet: bool
) -> None:
    """Write what came back to the files asked for, and as text unless JSON has standard output."""
    from stemprep.app.places import write_report_file
    from stemprep.report import (
        render_reconciliation,
        render_reconciliation_html,
        render_reconciliation_json,
    )

    if html_file is not None:
        write_report_file(html_file, render_reconciliation_html(result))
    if json_file is not None:
        text = render_reconciliation_json(result)
        if is_standard_output(json_file):
            click.echo(text, nl=False)
            return
        write_report_file(json_file, text)
    if not quiet:
        click.echo(render_reconciliation(result, is_color=sys.stdout.isatty()), nl=False)
