"""``stemprep reconcile``: hold what came back against the package that went out."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import html_option, json_option, quiet_option


@click.command("reconcile")
@click.argument("returned", type=click.Path(path_type=Path))
@click.option(
    "--against",
    "package",
    metavar="PACKAGE",
    type=click.Path(path_type=Path),
    required=True,
    help="Package that was sent.",
)
@click.option(
    "--spec",
    "spec_name",
    metavar="NAME_OR_FILE",
    help="Spec to judge by; without it, the package's own.",
)
@click.option(
    "--all-back",
    "everything_asked",
    is_flag=True,
    help="Every original was asked back: a missing one is a warning.",
)
@json_option
@html_option
@quiet_option
def command(
    returned: Path,
    package: Path,
    spec_name: str | None,
    everything_asked: bool,
    json_file: Path | None,
    html_file: Path | None,
    quiet: bool,
) -> int:
    """Tell what of RETURNED (a folder or zip) is an original, changed or not, and what is new.

    RETURNED and PACKAGE are only read. Exit code 0 when it could be told, whatever was found.
    """
    from stemprep.app.places import refuse_inside_package  # --help must not load numpy
    from stemprep.app.reconcile import reconcile
    from stemprep.cli.output import emit_reconciliation, refuse_report_places, show_progress

    refuse_report_places(returned, json_file, html_file)
    for place in (json_file, html_file):
        if place is not None and str(place) != "-":
            refuse_inside_package(place, package)
    result = reconcile(
        returned,
        package,
        spec_name,
        everything_asked=everything_asked,
        on_progress=show_progress,
    )
    emit_reconciliation(result, json_file=json_file, html_file=html_file, quiet=quiet)
    return 0
