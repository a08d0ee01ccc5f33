"""``stemprep demo``: a faulty session becomes a verified package."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("demo")
@click.option(
    "--into",
    metavar="DIR",
    type=click.Path(path_type=Path),
    default=Path("stemprep-demo"),
    show_default=True,
    help="New or empty folder for session, package and report.",
)
def command(into: Path) -> int:
    """Make a session with planted faults and take it to a verified package.

    The session is synthesised. Before you listen to it: turn the level down, the floor tom is
    clipped on purpose.
    """
    from stemprep.app.demo import DemoFailedError, run_demo, tell_missed

    story = run_demo(into, click.echo)
    if not story.ran_as_told:
        reason = tell_missed(story.missed) or "no verified package came out"
        raise DemoFailedError(f"the demo did not run as told: {reason}")
    return 0
