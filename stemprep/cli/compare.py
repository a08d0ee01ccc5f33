"""``stemprep compare``: what changed from one package to the next."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import is_standard_output, json_option, quiet_option


@click.command("compare")
@click.argument("old")
@click.argument("new")
@json_option
@quiet_option
def command(old: str, new: str, json_file: Path | None, quiet: bool) -> int:
    """Say in one screen what changed from the package OLD to the package NEW.

    OLD and NEW are folders, zips, or either in a store. Read from what both tell of themselves;
    nothing is measured again and nothing is written into them.
    """
    from stemprep.app.output_files import refuse_inside_package
    from stemprep.app.packages.open_package import compare  # --help must not load numpy
    from stemprep.cli.output import put, try_report_places
    from stemprep.report import render_comparison, render_comparison_json
    from stemprep.transfer import parse_place

    places = [parse_place(old), parse_place(new)]
    if json_file is not None and not is_standard_output(json_file):
        for place in places:
            if isinstance(place, Path):
                refuse_inside_package(json_file, place)
    try_report_places(json_file)
    result = compare(places[0], places[1])
    put(
        (json_file, lambda: render_comparison_json(result)),
        shown=None if quiet else lambda: render_comparison(result),
    )
    return 0
