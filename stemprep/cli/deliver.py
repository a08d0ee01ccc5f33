"""``stemprep deliver``: from a drop to a verified package."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import (
    amends_option,
    delivery_spec_option,
    drop_argument,
    html_option,
    json_option,
    quiet_option,
    reason_option,
)


@click.command("deliver")
@drop_argument
@click.option(
    "--to",
    "destinations",
    metavar="DEST",
    required=True,
    multiple=True,
    help="Folder, s3://bucket/folder or sftp://host/folder; again for a second copy.",
)
@click.option("--zip", "is_zipped", is_flag=True, help="Deliver one zip instead of a folder.")
@delivery_spec_option
@click.option(
    "--after",
    metavar="OLD",
    type=click.Path(path_type=Path),
    help="Package that this delivery follows.",
)
@amends_option
@reason_option
@click.option(
    "--receipt",
    "receipt_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write what was delivered, and every copy, as JSON.",
)
@json_option
@html_option
@quiet_option
def command(
    drop: Path,
    destinations: tuple[str, ...],
    is_zipped: bool,
    spec_name: str | None,
    after: Path | None,
    amends: Path | None,
    reason: str | None,
    receipt_file: Path | None,
    json_file: Path | None,
    html_file: Path | None,
    quiet: bool,
) -> int:
    """Check DROP, prepare what the spec asks for, and publish a verified package in DEST.

    The package appears whole or not at all; DROP is only read. Exit code 1 when a finding
    stops the delivery, 5 when it could not be published.
    """
    from stemprep.app.corrections.correction import correction_of, spec_for
    from stemprep.app.delivery.deliver import deliver  # --help must not load numpy
    from stemprep.cli.output import (
        emit_report,
        refuse_report_places,
        show_progress,
    )
    from stemprep.transfer import parse_place

    refuse_report_places(drop, json_file, html_file, receipt_file)
    correction = correction_of(amends, reason, after)
    report = deliver(
        drop,
        spec_for(spec_name, correction),
        [parse_place(destination) for destination in destinations],
        after=after,
        correction=correction,
        form="zip" if is_zipped else "folder",
        on_progress=show_progress,
    )
    emit_report(
        report,
        json_file=json_file,
        html_file=html_file,
        quiet=quiet,
        receipt_file=receipt_file,
    )
    return 0 if report.passed else 1
