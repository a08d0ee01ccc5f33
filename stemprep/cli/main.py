"""Entry point: finds commands without loading them, turns errors into words and exit codes."""

from __future__ import annotations

import errno
import importlib
import os
import signal
import sys
import traceback
from collections.abc import Callable, Sequence
from difflib import get_close_matches
from typing import NoReturn, TextIO

import click

from stemprep import __version__
from stemprep.cli.examples import epilog
from stemprep.errors import SpecError, StemprepError

EXIT_USAGE = 2
EXIT_OUTPUT = 5
EXIT_BUG = 70
EXIT_INTERRUPTED = 130
EXIT_CLOSED_PIPE = 141

_FULL = frozenset((errno.ENOSPC, errno.EDQUOT, errno.EFBIG))
"""What only standard output is left to say: everything else that is written tells its place."""

COMMANDS = {
    "demo": "Make a faulty session, deliver it, and reconcile what comes back.",
    "check": "Measure a drop and say what is wrong with it, and where.",
    "plan": "Show what a delivery would do, and do none of it.",
    "deliver": "Check, prepare, package and prove a drop.",
    "verify": "Prove that packages are still whole.",
    "reconcile": "Tell what came back of a package: untouched, changed, new, late.",
    "compare": "Say what changed from one package to the next.",
    "watch": "Run the service: deliver whatever is dropped into its inboxes.",
    "places": "List the service's folders and how they stand; make them known to it, once.",
    "jobs": "Tell what became of every drop; have a job done again, or give it up.",
    "health": "Say whether the service is alive and could do its work.",
    "specs": "List the delivery specs, or print one.",
    "explain": "Print the manual of a check.",
}
"""Each command with its line of help; its code is ``stemprep.cli.<name>.command``."""


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called: ``--help`` loads none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Commands in the order of a session's way through the house."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the one command that was asked for."""
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(f"stemprep.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        command.epilog = command.epilog or epilog(cmd_name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does, with the command that was probably meant."""
        name = args[0] if args else ""
        if name and name[0] != "-" and name not in COMMANDS:
            near = get_close_matches(name, COMMANDS, n=1)
            meant = f" Did you mean '{near[0]}'?" if near else ""
            raise click.UsageError(f"No such command {name!r}.{meant}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
    epilog="Exit codes: 0 done or meets the spec, 1 findings of severity fail, 2 command line, "
    "3 spec or sheet, 4 drop missing or without audio, 5 delivery or verification failed.",
)
@click.version_option(__version__, message="stemprep %(version)s")
def main() -> None:
    """Check, prepare, package and prove folders of recorded sound."""


def run(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code."""
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # workers are the parallelism
    signal.signal(signal.SIGTERM, _end)
    sys.unraisablehook = _raise_again_or(sys.unraisablehook)
    sys.stdout, sys.stderr = sys.stdout or _nowhere(), sys.stderr or _nowhere()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        code = _exit_code(sys.argv[1:] if arguments is None else list(arguments))
    except KeyboardInterrupt:  # again, while the first one was told
        code = EXIT_INTERRUPTED
    finally:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, signal.SIG_DFL)  # all is tidied up: nothing is left to raise into
    sys.exit(code)


def _end(number: int, _: object) -> NoReturn:
    """Leave on a request to end as on any error: staging and unpacked files are removed.

    Once: ``timeout`` and its like ask twice, and a second one would cut the tidying up short.
    """
    signal.signal(number, signal.SIG_IGN)
    raise SystemExit(128 + number)


def _raise_again_or(
    other: Callable[[sys.UnraisableHookArgs], object],
) -> Callable[[sys.UnraisableHookArgs], None]:
    """A hook for what Python drops: amid a finaliser that is what a signal handler raises too.

    Raised again a moment later, from an alarm, until somebody is there to take it.
    """

    def hook(dropped: sys.UnraisableHookArgs) -> None:
        leaving = dropped.exc_value
        if not isinstance(leaving, SystemExit | KeyboardInterrupt):
            other(dropped)
            return

        def leave(*_: object) -> NoReturn:
            raise leaving

        signal.signal(signal.SIGALRM, leave)
        signal.setitimer(signal.ITIMER_REAL, 0.001)

    return hook


def _nowhere() -> TextIO:
    """In place of an output that was closed, or that takes nothing more."""
    return open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123


def _shown(error: StemprepError) -> str:
    """Its words, with whatever a name or a sheet may hide made visible, line by line.

    The lines of a spec or sheet begin alike, each with its place, where an editor finds it.
    """
    from stemprep.report.escaping import visible  # loaded for errors alone

    lines = "\n".join(visible(line) for line in str(error).split("\n"))
    return lines if isinstance(error, SpecError) else f"stemprep: {lines}"


def _exit_code(arguments: Sequence[str]) -> int:
    """Run one command; every way out of it has its code."""
    try:
        outcome = main.main(args=list(arguments), prog_name="stemprep", standalone_mode=False)
        sys.stdout.flush()
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        error.show()
        return EXIT_USAGE
    except (click.Abort, KeyboardInterrupt):
        click.echo("Interrupted; nothing half-made looks finished.", err=True)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        sys.stdout = _nowhere()
        return EXIT_CLOSED_PIPE
    except StemprepError as error:
        click.echo(_shown(error), err=True)
        return error.exit_code
    except OSError as error:
        if error.errno not in _FULL:
            return _bug()
        sys.stdout = _nowhere()
        click.echo(f"stemprep: {error.strerror} where the output goes; free space there", err=True)
        return EXIT_OUTPUT
    except Exception:  # the last line of defence: a bug is told as one
        return _bug()
    return outcome if isinstance(outcome, int) else 0


def _bug() -> int:
    traceback.print_exc()
    click.echo("stemprep: this is a fault of stemprep, not of your files.", err=True)
    return EXIT_BUG
