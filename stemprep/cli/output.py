"""What goes to the terminal, and what to files."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import click

from stemprep.cli.options import is_standard_output
from stemprep.errors import DeliveryError, UsageError
from stemprep.model.reconciliation import Reconciliation
from stemprep.model.report import Report
from stemprep.report.escaping import visible

Render = Callable[[], str]

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
    from stemprep.app.output_files import refuse_inside_drop

    for file in _named(files):
        refuse_inside_drop(file, drop, "the report")
    try_report_places(*files)


def try_report_places(*files: Path | None) -> None:
    """Raise where a report could not be written, or two were to go into one file.

    Called before the work: what took minutes to find is not lost for a folder that is not there.
    """
    from stemprep.app.output_files import require_report_place

    seen: set[Path] = set()
    for file in _named(files):
        require_report_place(file)
        place = file.resolve()
        if place in seen and (place.is_file() or not place.exists()):
            raise UsageError(f"{file} is named twice: give each output a file of its own")
        seen.add(place)


def _named(files: Iterable[Path | None]) -> list[Path]:
    return [file for file in files if file is not None and not is_standard_output(file)]


def put(*files: tuple[Path | None, Render], shown: Render | None = None) -> None:
    """Write every file that was asked for, then standard output; then raise for what failed.

    files: a place and what makes its text; None for a file that nobody wants, ``-`` for one that
    takes the place of what is shown. Raises DeliveryError.
    """
    from stemprep.app.output_files import write_report_file

    faults: list[str] = []
    for place, render in files:
        if is_standard_output(place):
            shown = render
        elif place is not None:
            try:
                write_report_file(place, render())
            except DeliveryError as error:  # the others are still given
                faults.append(str(error))
    try:
        if shown is not None:
            click.echo(shown(), nl=False)
            sys.stdout.flush()
    except OSError:  # told where it ends the command
        for fault in faults:
            click.echo(f"stemprep: {visible(fault)}", err=True)
        raise
    if faults:
        raise DeliveryError("\n".join(faults))


def emit_report(
    report: Report,
    *,
    json_file: Path | None,
    html_file: Path | None,
    quiet: bool,
    receipt_file: Path | None = None,
) -> None:
    """Write the files asked for, and the text unless JSON has standard output."""
    from stemprep import report as texts

    def receipt_text() -> str:
        assert report.receipt is not None, "else its file is not asked for"
        return texts.render_receipt_json(report.receipt)

    put(
        (None if report.receipt is None else receipt_file, receipt_text),
        (html_file, lambda: texts.render_html(report)),
        (json_file, lambda: texts.render_json(report)),
        shown=None if quiet else lambda: texts.render_text(report, is_color=sys.stdout.isatty()),
    )


def emit_check(
    report: Report,
    *,
    json_file: Path | None,
    html_file: Path | None,
    ask_file: Path | None,
    quiet: bool,
    is_all: bool,
) -> None:
    """Write the files asked for, and one screen of text, or all of it."""
    from stemprep import report as texts

    def text() -> str:
        render = texts.render_text if is_all else texts.render_brief
        return render(report, is_color=sys.stdout.isatty())

    put(
        (html_file, lambda: texts.render_html(report)),
        (ask_file, lambda: texts.render_asking(report)),
        (json_file, lambda: texts.render_json(report)),
        shown=None if quiet else text,
    )


def emit_reconciliation(
    result: Reconciliation, *, json_file: Path | None, html_file: Path | None, quiet: bool
) -> None:
    """Write what came back to the files asked for, and as text unless JSON has standard output."""
    from stemprep import report as texts

    def text() -> str:
        return texts.render_reconciliation(result, is_color=sys.stdout.isatty())

    put(
        (html_file, lambda: texts.render_reconciliation_html(result)),
        (json_file, lambda: texts.render_reconciliation_json(result)),
        shown=None if quiet else text,
    )
