"""``stemprep health``: whether the service is alive and could do its work."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from stemprep.cli.options import config_option, is_standard_output, json_option, quiet_option

if TYPE_CHECKING:
    from stemprep.service.unattended import LastDay

EXIT_UNWELL = 5
_WELL = "The service is well."


@click.command("health")
@config_option
@json_option
@quiet_option
def command(config_file: Path, json_file: Path | None, quiet: bool) -> int:
    """Say whether the service of a config is alive and could do its work.

    Exit code 0 when it is, 5 when something has to be mended; for supervisors and containers.
    What waits for a person, set aside, refused or held back, is told and changes no exit code.
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
            "last_day": {
                "jobs": health.last_day.jobs,
                "set_aside": health.last_day.set_aside,
                "refused": health.last_day.refused,
                "held_back": health.last_day.held_back,
                "wait_for_a_person": health.last_day.waiting,
            },
            "late": {"jobs": health.late.jobs, "oldest_s": round(health.late.oldest_s)},
            "unread": [job.job for job in health.unread],
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
            words = "The service runs; a person should look." if health.notes else _WELL
            click.echo(f"{words}{_counted(health.jobs)}{_of_last_day(health.last_day)}")
    return 0 if health.is_well else EXIT_UNWELL


def _counted(jobs: dict[str, int]) -> str:
    """How many jobs are in which state, in words."""
    told = ", ".join(f"{count:,} {state}" for state, count in jobs.items() if count)
    return f" Jobs: {told}." if told else " No jobs yet."


def _of_last_day(day: LastDay) -> str:
    """How many jobs of the last day wait for a person, in words."""
    if not day.jobs:
        return ""
    counts = {
        "set aside": day.set_aside, "refused": day.refused, "held back": day.held_back,
    }  # fmt: skip
    told = ", ".join(f"{count:,} {state}" for state, count in counts.items() if count)
    verb = "waits" if day.waiting == 1 else "wait"
    which = f"{day.waiting:,} {verb} for a person ({told})" if told else "none waits for a person"
    return f" Of {day.jobs:,} in the last day {which}."
