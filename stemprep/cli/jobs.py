"""``stemprep jobs``: what became of every drop."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stemprep.cli.options import config_option
from stemprep.cli.output import put, try_report_places

if TYPE_CHECKING:
    from collections.abc import Collection

    from stemprep.service.jobs import State
    from stemprep.service.store import Store

_json_option = click.option(
    "--json",
    "json_file",
    metavar="FILE",
    is_flag=False,
    flag_value=Path("-"),
    type=click.Path(path_type=Path),
    help="Write as JSON ('-' or nothing: to standard output, and nothing else).",
)


def _take(context: click.Context, _: click.Parameter, value: Path | None) -> None:
    if value is not None:
        context.obj = value


_config_here_too = click.option(
    "--config",
    metavar="FILE",
    type=click.Path(path_type=Path),
    expose_value=False,
    callback=_take,
    help="Config of the service, where it is not given before this command.",
)
_numbers = click.argument("numbers", metavar="NUMBER...", type=int, nargs=-1, required=True)


@click.group("jobs", invoke_without_command=True)
@config_option
@click.option("--state", "states", metavar="STATE", multiple=True, help="Only jobs in this state.")
@click.option("--newest", metavar="N", type=click.IntRange(1), default=100, show_default=True,
              help="List so many at most.")  # fmt: skip
@_json_option
@click.pass_context
def command(
    context: click.Context,
    config_file: Path,
    states: tuple[str, ...],
    newest: int,
    json_file: Path | None,
) -> None:
    """List the jobs of the service, show one, have it done again, or give it up.

    Works while the service runs. A job is one drop in one state, by one spec.
    """
    context.obj = config_file
    if context.invoked_subcommand is not None:
        return
    from stemprep.service.manage_jobs import jobs_json, jobs_text

    chosen = _known_states(states)
    try_report_places(json_file)
    with _store(config_file) as store:
        found = store.jobs(chosen, newest)
    shown = None if json_file else lambda: jobs_text(found)
    put((json_file, lambda: jobs_json(found)), shown=shown)


@command.command("show")
@_config_here_too
@click.argument("number", type=int)
@_json_option
@click.pass_obj
def show(config_file: Path, number: int, json_file: Path | None) -> None:
    """Show one job with its history."""
    from stemprep.service.manage_jobs import found_job, job_json, job_text, kept_results

    try_report_places(json_file)
    with _store(config_file) as store:
        job, steps = found_job(store, number), store.steps(number)
        results = kept_results(store.state, number)
    shown = None if json_file else lambda: job_text(job, steps, results)
    put((json_file, lambda: job_json(job, steps, results)), shown=shown)


@command.command("retry")
@_config_here_too
@click.option("--state", "states", metavar="STATE", multiple=True,
              help="All jobs in this state instead of numbers.")  # fmt: skip
@click.argument("numbers", metavar="[NUMBER]...", type=int, nargs=-1)
@click.pass_obj
def retry_command(config_file: Path, states: tuple[str, ...], numbers: tuple[int, ...]) -> None:
    """Have jobs done again that were refused, set aside or given up."""
    from stemprep.errors import UsageError
    from stemprep.service.manage_jobs import retry, retry_all

    if bool(states) == bool(numbers):
        raise UsageError("name jobs by their numbers, or all in one state: --state set-aside")
    chosen = _known_states(states)
    with _store(config_file, is_changed=True) as store:
        for number in numbers:
            retry(store, number, time.time())
            click.echo(f"job {number} is taken up again by the service")
        if chosen:
            taken, refusals = retry_all(store, chosen, time.time())
            for number in taken:
                click.echo(f"job {number} is taken up again by the service")
            for refusal in refusals:
                click.echo(f"left as it is: {refusal}")
            if not taken and not refusals:
                click.echo(f"no job is {' or '.join(chosen)}")


@command.command("drop")
@_config_here_too
@_numbers
@click.pass_obj
def drop_command(config_file: Path, numbers: tuple[int, ...]) -> None:
    """Give jobs up; what was dropped stays where it lies."""
    from stemprep.service.manage_jobs import give_up

    with _store(config_file, is_changed=True) as store:
        for number in numbers:
            give_up(store, number, time.time())
            click.echo(
                f"job {number} is given up; its drop stays, and is taken again if it changes"
            )


def _known_states(states: Collection[str]) -> tuple[State, ...]:
    """The states by these names; UsageError for what is none."""
    from stemprep.errors import UsageError
    from stemprep.service.jobs import STATES

    chosen = tuple(state for state in STATES if state in states)
    if len(chosen) < len(set(states)):
        raise UsageError(f"no such state; give one of {', '.join(STATES)}")
    return chosen


def _store(config_file: Path, *, is_changed: bool = False) -> Store:
    from stemprep.service.store import Store
    from stemprep.spec import load_service

    return Store(load_service(config_file).state, "write" if is_changed else "read")
