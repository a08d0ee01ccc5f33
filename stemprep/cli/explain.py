"""``stemprep explain``: print the manual of a check."""

from __future__ import annotations

import click


@click.command("explain")
@click.argument("check", required=False)
def command(check: str | None) -> int:
    """Print what CHECK means, how it is measured and what to do; without CHECK, list all."""
    from stemprep.checks import CHECKS, manual  # --help loads no checks
    from stemprep.report.layout import Page

    if check is None:
        page = Page()
        for name in CHECKS:
            page.fact(name, manual(name).partition("\n")[0], label_width=18)
        click.echo(page.text(), nl=False)
        return 0
    click.echo(manual(check))
    return 0
