"""``stemprep demo``: a faulty session becomes a verified package, and an overdub room answers."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import click


@click.command("demo")
@click.option(
    "--into",
    metavar="DIR",
    type=click.Path(path_type=Path),
    default=Path("stemprep-demo"),
    show_default=True,
    help="New or empty folder for session, package, return and reports.",
)
def command(into: Path) -> int:
    """Take a made-up session with planted faults all the way, and back.

    It is checked, planned, delivered and verified as a package for overdubs; a made-up overdub room
    sends takes back, and they are reconciled with the package.

    All sound is synthesised. Before you listen to it: turn the level down, the floor tom is
    clipped on purpose.
    """
    from stemprep.app.demo import DemoFailedError, missed_faults_text, run_demo

    story = run_demo(into, click.echo, _called())
    if not story.ran_as_planned:
        reason = missed_faults_text(story.missed) or "no verified package came out"
        raise DemoFailedError(f"the demo did not run as told: {reason}")
    return 0


def _called() -> str:
    """How this program was called: what a reader can type again in the same place."""
    program = Path(sys.argv[0])
    if program.name != "stemprep":
        return "python -m stemprep"
    found = shutil.which(program.name)
    is_on_path = found is not None and Path(found).resolve() == program.resolve()
    return program.name if is_on_path else str(program)
