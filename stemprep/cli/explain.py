"""``stemprep explain``: print the manual of a check."""

from __future__ import annotations

import click


@click.command("explain")
@click.argument("check", required=False)
def command(check: str | None) -> int:
    """Print what CHECK means, how it is measured and what to do; without CHECK, list all."""
    from stemprep.checks import CHECKS, manual  # --help loads no checks

    if check is None:
        click.echo("\n".join(CHECKS))
        return 0
    click.echo(manual(check))
    return 0
