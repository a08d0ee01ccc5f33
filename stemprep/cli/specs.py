"""``stemprep specs``: list the shipped delivery specs, or print one."""

from __future__ import annotations

import click


@click.command("specs")
@click.argument("name", required=False)
def command(name: str | None) -> int:
    """List the shipped delivery specs, or print the YAML of NAME to start your own from."""
    from stemprep.spec import shipped_specs, spec_source, spec_summary

    if name is not None:
        click.echo(spec_source(name), nl=False)
        return 0
    formatter = click.HelpFormatter(width=80)
    formatter.write_dl([(shipped, spec_summary(shipped)[1]) for shipped in shipped_specs()])
    click.echo(formatter.getvalue(), nl=False)
    return 0
