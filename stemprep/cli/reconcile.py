"""``stemprep reconcile``: hold what came back against the package that went out."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import html_option, is_standard_output, json_option, quiet_option


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
@click.option(
    "--accept",
    "is_accepted",
    is_flag=True,
    help="Make the next delivery: originals of the package, new files beside them.",
)
@click.option(
    "--to",
    "destinations",
    metavar="DEST",
    multiple=True,
    help="Folder or address to deliver into, with --accept; again for a second copy.",
)
@click.option(
    "--move",
    "moves",
    metavar="FILE",
    multiple=True,
    help="Take out the measured lag of this new file, with --accept; repeatable.",
)
@click.option(
    "--place",
    "places",
    metavar="FILE=WHERE",
    multiple=True,
    help="Put this new file at a sample from the session's start, or at 'bar 17', with --accept; "
    "repeatable.",
)
@json_option
@html_option
@quiet_option
def command(
    returned: Path,
    package: Path,
    spec_name: str | None,
    everything_asked: bool,
    is_accepted: bool,
    destinations: tuple[str, ...],
    moves: tuple[str, ...],
    places: tuple[str, ...],
    json_file: Path | None,
    html_file: Path | None,
    quiet: bool,
) -> int:
    """Tell what of RETURNED (a folder or zip) is an original, changed or not, and what is new.

    RETURNED and PACKAGE are only read. Exit code 0 when it could be told, whatever was found;
    1 when a finding stops the delivery that --accept orders.
    """
    from stemprep.app.output_files import refuse_inside_package
    from stemprep.app.returns.accept import accept, acceptance_of  # --help must not load numpy
    from stemprep.app.returns.reconcile import reconcile
    from stemprep.cli.output import emit_reconciliation, refuse_report_places, show_progress
    from stemprep.transfer import parse_place

    for place in (json_file, html_file):
        if place is not None and not is_standard_output(place):
            refuse_inside_package(place, package)
    refuse_report_places(returned, json_file, html_file)
    order = acceptance_of(
        is_accepted=is_accepted,
        destinations=[parse_place(destination) for destination in destinations],
        moves=moves,
        places=places,
    )
    if order is None:
        result = reconcile(
            returned,
            package,
            spec_name,
            everything_asked=everything_asked,
            on_progress=show_progress,
        )
    else:
        result = accept(
            returned,
            package,
            order,
            spec_name,
            everything_asked=everything_asked,
            on_progress=show_progress,
        )
    emit_reconciliation(result, json_file=json_file, html_file=html_file, quiet=quiet)
    return 0 if order is None or result.accepted is not None else 1
