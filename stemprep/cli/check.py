"""``stemprep check``: measure drops and print what is wrong."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from stemprep.cli.options import (
    excerpts_option,
    html_option,
    is_standard_output,
    json_option,
    progress_option,
    quiet_option,
    spec_option,
)


@click.command("check")
@click.argument(
    "drops", metavar="DROP...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@spec_option
@click.option("--all", "is_all", is_flag=True, help="Print everything, not one screen of it.")
@click.option(
    "--ask",
    "ask_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write which files to export again, why and how, to be pasted into a mail.",
)
@click.option(
    "--since",
    "old_file",
    metavar="OLD.json",
    type=click.Path(path_type=Path),
    help="Tell what was fixed since an earlier JSON report, what is still there, what is new.",
)
@json_option
@html_option
@excerpts_option
@progress_option
@quiet_option
def command(
    drops: tuple[Path, ...],
    spec_name: str,
    is_all: bool,
    ask_file: Path | None,
    old_file: Path | None,
    json_file: Path | None,
    html_file: Path | None,
    is_unheard: bool,
    progress: str,
    quiet: bool,
) -> int:
    """Measure DROP (a folder or zip; several too) and say what is wrong with it, and where.

    Prints the worst five things; --all prints everything. Nothing is written into DROP. Exit code
    1 when something must be fixed first (severity fail).
    """
    from stemprep.app.check.inspect import inspect  # --help must not load numpy
    from stemprep.app.since import read_earlier, since
    from stemprep.cli.output import emit_check, refuse_report_places
    from stemprep.cli.progress import Progress

    if len(drops) > 1 and (json_file or html_file or ask_file or old_file):
        raise click.UsageError("--json, --html, --ask and --since take one DROP at a time")
    earlier = None if old_file is None else read_earlier(old_file)
    code = 0
    for drop in drops:
        refuse_report_places(drop, json_file, html_file, ask_file)
        is_read = html_file is not None or ask_file is not None
        is_read = is_read or not (quiet or is_standard_output(json_file))
        report = inspect(
            drop,
            spec_name,
            on_progress=Progress(form=progress),
            is_outlook_wanted=is_read,
            closeups="none" if html_file is None else "seen" if is_unheard else "heard",
        )
        if earlier is not None and old_file is not None:
            report = replace(report, since=since(report, earlier, old_file.name))
        emit_check(
            report,
            json_file=json_file,
            html_file=html_file,
            ask_file=ask_file,
            quiet=quiet,
            is_all=is_all,
        )
        if drop != drops[-1] and not quiet:
            click.echo()
        code = max(code, 0 if report.passed else 1)
    return code
