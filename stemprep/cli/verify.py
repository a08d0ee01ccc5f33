"""``stemprep verify``: prove that packages are still whole."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import is_standard_output, json_option, quiet_option


@click.command("verify")
@click.argument("packages", nargs=-1, required=True)
@click.option(
    "--copy",
    "copies",
    metavar="PLACE",
    multiple=True,
    help="Another copy of the one package or shelf, to hold against the first; repeatable.",
)
@click.option(
    "--log",
    "log_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Log of a shelf's checks; without it, fixity-log.csv in the shelf.",
)
@click.option(
    "--confirm",
    "is_confirmed",
    is_flag=True,
    help="Answer for a package as it lies there now: ends the alarm that it was exchanged.",
)
@click.option(
    "--initials",
    metavar="WHO",
    help="Who confirms, for the log; with --confirm.",
)
@json_option
@quiet_option
def command(
    packages: tuple[str, ...],
    copies: tuple[str, ...],
    log_file: Path | None,
    is_confirmed: bool,
    initials: str | None,
    json_file: Path | None,
    quiet: bool,
) -> int:
    """Re-check every file of PACKAGES against their manifests; write nothing into them.

    PACKAGES are folders, zips, or either in a store (s3://bucket/..., sftp://host/...). A folder
    of packages is a shelf: all of them are checked, and one line each is added to a log beside
    them.

    Exit code 5 when a file is damaged, missing or extra, or a copy is not the same, and as long as
    a package is not the one that the log knows and nobody has confirmed it.
    """
    from stemprep.app.output_files import refuse_inside_package
    from stemprep.app.packages.shelf import check_shelf, confirm, is_shelf
    from stemprep.app.packages.verify import verify  # --help must not load numpy
    from stemprep.cli.output import show_progress, try_report_places
    from stemprep.errors import DeliveryError, UsageError
    from stemprep.report import (
        render_confirmation,
        render_confirmation_json,
        render_shelf,
        render_shelf_json,
        render_verification,
        render_verification_json,
    )
    from stemprep.transfer import parse_place

    places = [parse_place(package) for package in packages]
    if json_file is not None and not is_standard_output(json_file):
        for place in places:
            if isinstance(place, Path):
                refuse_inside_package(json_file, place)
    try_report_places(json_file)
    if is_confirmed or initials is not None:
        package = places[0]
        if not is_confirmed or initials is None:
            raise UsageError("--confirm and --initials WHO go together: give both, or none of them")
        if copies or len(places) != 1 or not isinstance(package, Path) or is_shelf(package):
            raise UsageError("--confirm takes one package in a folder of this machine, no --copy")
        done = confirm(package, initials, log=log_file)
        _emit(render_confirmation(done), render_confirmation_json(done), json_file, quiet)
        return 0
    if copies or log_file is not None or any(map(is_shelf, places)):
        if len(places) != 1 or not isinstance(places[0], Path):
            raise UsageError("a shelf, --copy and --log take one folder: name one, or none of them")
        check = check_shelf(
            places[0],
            copies=[parse_place(copy) for copy in copies],
            log=log_file,
            on_checked=show_progress,
        )
        _emit(render_shelf(check), render_shelf_json(check), json_file, quiet)
        if check.log_fault:
            raise DeliveryError(check.log_fault)
        return 0 if check.is_proved else 5
    results = verify(places)
    _emit(render_verification(results), render_verification_json(results), json_file, quiet)
    return 0 if all(result.is_whole and result.is_complete for result in results) else 5


def _emit(text: str, json_text: str, json_file: Path | None, quiet: bool) -> None:
    from stemprep.cli.output import put

    put((json_file, lambda: json_text), shown=None if quiet else lambda: text)
