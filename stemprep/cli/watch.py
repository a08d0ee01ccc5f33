"""``stemprep watch``: the service."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import config_option


@click.command("watch")
@config_option
@click.option("--once", is_flag=True, help="Work off what lies in the inboxes, then end.")
def command(config_file: Path, once: bool) -> int:
    """Watch the inboxes of the config, and deliver whatever is dropped there.

    Ends on SIGTERM or Ctrl-C with exit code 0: running jobs may finish for a while
    (stop_within_s in the config), then they are put back to be done again after the next start.
    """
    from stemprep.service.watch import watch  # --help must not load numpy

    return watch(config_file, is_once=once)
