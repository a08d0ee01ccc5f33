"""``stemprep deliver``: from a drop to a verified package."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import (
    amends_option,
    drop_argument,
    html_option,
    json_option,
    quiet_option,
    reason_option,
    required_spec_option,
)


@click.command("deliver")
@drop_argument
@click.option(
    "--to",
    "destinations",
    metavar="DEST",
    type=click.Path(path_type=Path),
    required=True,
    multiple=True,
    help="Folder to deliver into; give it again for a second copy.",
)
@required_spec_option
@click.option(
    "--after",
    metavar="OLD",
    type=click.Path(path_type=Path),
    help="Package that this delivery follows.",
)
@amends_option
@reason_option
@json_option
@html_option
@quiet_option
def command(
    drop: Path,
    destinations: tuple[Path, ...],
    spec_name: str,
    after: Path | None,
    amends: Path | None,
    reason: str | None,
    json_file: Path | None,
    html_file: Path | None,
    quiet: bool,
) -> int:
    """Check DROP, prepare what the spec asks for, and publish a verified package in DEST.

    The package appears whole or not at all; DROP is only read. Exit code 1 when a finding
    stops the delivery, 5 when it could not be published.
    """
    from stemprep.app.corrections import correction_of
    from stemprep.app.deliver import deliver  # --help must not load numpy
    from stemprep.cli.output import (
        emit_report,
        refuse_report_places,
        show_progress,
    )

    refuse_report_places(drop, json_file, html_file)
    report = deliver(
        drop,
        spec_name,
        destinations,
        after=after,
        correction=correction_of(amends, reason, after),
        on_progress=show_progress,
    )
    emit_report(report, json_file=json_file, html_file=html_file, quiet=quiet)
    return 0 if report.passed else 1
