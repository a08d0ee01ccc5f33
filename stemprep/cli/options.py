"""Options and arguments that several commands share."""

from __future__ import annotations

from pathlib import Path

import click

drop_argument = click.argument("drop", type=click.Path(path_type=Path))

quiet_option = click.option("--quiet", is_flag=True, help="Print nothing but errors.")


def _refuse_standard_output(
    context: click.Context, parameter: click.Parameter, value: Path | None
) -> Path | None:
    """A page is for a browser: ``-`` would make a file of that name, and is refused."""
    if is_standard_output(value):
        raise click.BadParameter("a page goes into a file; name one (--json takes '-')")
    return value


html_option = click.option(
    "--html",
    "html_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    callback=_refuse_standard_output,
    help="Write the report as one HTML file.",
)

progress_option = click.option(
    "--progress",
    type=click.Choice(("auto", "json", "none")),
    default="auto",
    show_default=True,
    help="How far it is: a line on a terminal, or JSON lines on standard error.",
)

excerpts_option = click.option(
    "--no-excerpts",
    "is_unheard",
    is_flag=True,
    help="Put no sound into the page, which plays the worst places otherwise.",
)

json_option = click.option(
    "--json",
    "json_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write the report as JSON ('-': to standard output, and nothing else).",
)

spec_option = click.option(
    "--spec",
    "spec_name",
    metavar="NAME_OR_FILE",
    default="base",
    show_default=True,
    help="Delivery spec: a shipped name or a YAML file.",
)

delivery_spec_option = click.option(
    "--spec",
    "spec_name",
    metavar="NAME_OR_FILE",
    help="Delivery spec: a shipped name or a YAML file; with --amends, the package's own.",
)

amends_option = click.option(
    "--amends",
    metavar="PACKAGE",
    type=click.Path(path_type=Path),
    help="Package that DROP corrects; DROP then holds only the corrected files.",
)

reason_option = click.option(
    "--reason",
    metavar="TEXT",
    help="Why it is corrected, for the delivery note's first line (with --amends).",
)


config_option = click.option(
    "--config",
    "config_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    default="service.yaml",
    show_default=True,
    help="Config of the service.",
)


def is_standard_output(path: Path | None) -> bool:
    """True for ``-``, the conventional name of standard output."""
    return path is not None and str(path) == "-"
