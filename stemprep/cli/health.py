"""``stemprep health``: whether the service is alive and could do its work."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from stemprep.cli.options import config_option, json_option, quiet_option

if TYPE_CHECKING:
    from stemprep.service.health import Health, LastDay

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
    import time

    from stemprep.cli.output import put, try_report_places
    from stemprep.service.health import examine
    from stemprep.spec import load_service

    try_report_places(json_file)
    health = examine(load_service(config_file), time.time())
    put((json_file, lambda: _json(health)), shown=None if quiet else lambda: _text(health))
    return 0 if health.is_well else EXIT_UNWELL


def _json(health: Health) -> str:
    import json

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
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def _text(health: Health) -> str:
    from stemprep.report.escaping import visible

    lines = [f"problem: {visible(problem)}" for problem in health.problems]
    lines += [f"note: {visible(note)}" for note in health.notes]
    if health.is_well:
        words = "The service runs; a person should look." if health.notes else _WELL
        lines.append(f"{words}{_counted(health.jobs)}{_of_last_day(health.last_day)}")
    return "".join(f"{line}\n" for line in lines)


def _counted(jobs: dict[str, int]) -> str:
    """How many jobs are in which state, in words."""
    listed = ", ".join(f"{count:,} {state}" for state, count in jobs.items() if count)
    return f" Jobs: {listed}." if listed else " No jobs yet."


def _of_last_day(day: LastDay) -> str:
    """How many jobs of the last day wait for a person, in words."""
    if not day.jobs:
        return ""
    counts = {
        "set aside": day.set_aside, "refused": day.refused, "held back": day.held_back,
    }  # fmt: skip
    listed = ", ".join(f"{count:,} {state}" for state, count in counts.items() if count)
    verb = "waits" if day.waiting == 1 else "wait"
    which = (
        f"{day.waiting:,} {verb} for a person ({listed})" if listed else "none waits for a person"
    )
    return f" Of {day.jobs:,} in the last day {which}."
