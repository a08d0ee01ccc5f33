"""``stemprep health``: whether the service is alive and could do its work."""

from __future__ import annotations

from pathlib import Path

import click

from stemprep.cli.options import config_option, is_standard_output, json_option, quiet_option

EXIT_UNWELL = 5


@click.command("health")
@config_option
@json_option
@quiet_option
def command(config_file: Path, json_file: Path | None, quiet: bool) -> int:
    """Say whether the service of a config is alive and could do its work.

    Exit code 0 when it is, 5 when something has to be mended; for supervisors and containers.
    """
    import json
    import time

    from stemprep.report.escaping import visible
    from stemprep.service.health import examine
    from stemprep.spec import load_service

    health = examine(load_service(config_file), time.time())
    if json_file is not None:
        document = {
            "is_well": health.is_well,
            "problems": list(health.problems),
            "notes": list(health.notes),
            "jobs": health.jobs,
        }
        text = json.dumps(document, indent=2, ensure_ascii=False) + "\n"
        if is_standard_output(json_file):
            click.echo(text, nl=False)
        else:
            from stemprep.app.places import write_report_file

            write_report_file(json_file, text)
    if not quiet and not is_standard_output(json_file):
        for problem in health.problems:
            click.echo(f"problem: {visible(problem)}")
        for note in health.notes:
            click.echo(f"note: {visible(note)}")
        if health.is_well:
            click.echo(f"The service is well.{_counted(health.jobs)}")
    return 0 if health.is_well else EXIT_UNWELL


def _counted(jobs: dict[str, int]) -> str:
    """How many jobs are in which state, in words."""
    told = ", ".join(f"{count:,} {state}" for state, count in jobs.items() if count)
    return f" Jobs: {told}." if told else " No jobs yet."
