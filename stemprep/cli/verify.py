"""``stemprep verify``: prove that packages are still whole."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import is_standard_output, json_option, quiet_option


@click.command("verify")
@click.argument("packages", nargs=-1, required=True)
@json_option
@quiet_option
def command(packages: tuple[str, ...], json_file: Path | None, quiet: bool) -> int:
    """Re-check every file of PACKAGES against their manifests; write nothing into them.

    PACKAGES are folders, zips, or either in a store (s3://bucket/..., sftp://host/...).

    Exit code 5 when a file is damaged, missing or extra.
    """
    from stemprep.app.places import refuse_inside_package, write_report_file
    from stemprep.app.verify import verify  # --help must not load numpy
    from stemprep.report import render_verification, render_verification_json
    from stemprep.transfer import parse_place

    places = [parse_place(package) for package in packages]
    if json_file is not None and not is_standard_output(json_file):
        for place in places:
            if isinstance(place, Path):
                refuse_inside_package(json_file, place)
    results = verify(places)
    if json_file is not None:
        text = render_verification_json(results)
        if is_standard_output(json_file):
            click.echo(text, nl=False)
            quiet = True
        else:
            write_report_file(json_file, text)
    if not quiet:
        click.echo(render_verification(results), nl=False)
    return 0 if all(result.is_whole and result.is_complete for result in results) else 5
