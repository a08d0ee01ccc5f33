"""README and command line agree; every check has a manual; help loads nothing heavy."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from stemprep.checks import CHECKS
from stemprep.cli.main import COMMANDS, LazyGroup, main
from stemprep.errors import DeliveryError, InputError, PrepareError, SpecError
from stemprep.spec import shipped_specs
from tests.cli.running import ROOT, here

README = (ROOT / "README.md").read_text(encoding="utf-8")
REFERENCE = README.split("## Reference", 1)[1]


def _commands() -> Iterator[tuple[str, click.Command]]:
    context = click.Context(main)
    for name in COMMANDS:
        command = main.get_command(context, name)
        assert command is not None
        yield name, command


def _options(command: click.Command) -> set[str]:
    return {
        option
        for parameter in command.params
        if isinstance(parameter, click.Option)
        for option in parameter.opts
    }


def test_readme_lists_every_command_and_no_other() -> None:
    told = re.findall(r"^\| `stemprep (\w+)", REFERENCE, re.MULTILINE)
    assert told == list(COMMANDS)


def test_readme_names_only_options_that_exist_and_all_of_them() -> None:
    every = set().union(*(_options(command) for _, command in _commands()))
    of_others = re.compile(r"pip install|^sudo |docker compose|dask worker")
    stemprep_lines = "\n".join(line for line in README.splitlines() if not of_others.search(line))
    told = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", stemprep_lines)) - {"--quiet-manifest"}
    of_other_tools = {"--quiet"} if "sha256sum -c --quiet" in README else set()
    assert told - every - of_other_tools == set()
    assert every - told == set()


def test_readme_commands_use_options_of_their_own() -> None:
    """Every line of shell in README that begins with stemprep is accepted by its command."""
    by_name = dict(_commands())
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    lines = re.findall(r"stemprep (\w+)([^\n&|]*)", "\n".join(blocks))
    named = [(name, rest) for name, rest in lines if name in by_name]
    assert len(named) >= 4
    for name, rest in named:
        assert set(re.findall(r"--[a-z][a-z-]*", rest)) <= _options(by_name[name]), name


def test_readme_tells_every_exit_code() -> None:
    told = {int(code) for code in re.findall(r"^\| (\d+) \|", REFERENCE, re.MULTILINE)}
    ours = {error.exit_code for error in (SpecError, InputError, PrepareError, DeliveryError)}
    named = vars(sys.modules[LazyGroup.__module__])
    ways_out = {code for name, code in named.items() if name.startswith("EXIT_")}
    assert told == {0, 1, 128 + signal.SIGTERM} | ways_out | ours


def test_readme_names_every_shipped_spec() -> None:
    for name in shipped_specs():
        assert f"`{name}`" in REFERENCE


def test_specs_lists_and_prints_every_spec(capsys: pytest.CaptureFixture[str]) -> None:
    listed = here(capsys, "specs").out
    for name in shipped_specs():
        assert re.search(rf"^\s*{name}\s", listed, re.MULTILINE)
        shown = here(capsys, "specs", name)
        assert shown.code == 0
        assert shown.out == (ROOT / "configs" / f"{name}.yaml").read_text(encoding="utf-8")


def test_explain_lists_the_contracts_checks(capsys: pytest.CaptureFixture[str]) -> None:
    assert set(here(capsys, "explain").out.split()) >= set(CHECKS)


@pytest.mark.parametrize("check", CHECKS)
def test_explain_prints_a_manual(check: str, capsys: pytest.CaptureFixture[str]) -> None:
    shown = here(capsys, "explain", check)
    assert shown.code == 0
    assert len(shown.out.split()) > 25, "a manual says what it means, with examples"


def test_help_of_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    for name, command in _commands():
        shown = here(capsys, name, "--help")
        assert shown.code == 0
        assert all(option in shown.out for option in _options(command))
        assert max(map(len, shown.out.splitlines())) <= 80


HEAVY = ("numpy", "scipy", "pydantic", "soundfile", "pedalboard", "pyloudnorm", "jinja2", "soxr")


@pytest.mark.parametrize("arguments", [["--help"], ["specs"], ["--version"], ["check", "--help"]])
def test_quick_commands_load_nothing_heavy(arguments: list[str], tmp_path: Path) -> None:
    code = (
        "import sys\nfrom stemprep.cli.main import run\n"
        f"try:\n    run({arguments!r})\nexcept SystemExit as left:\n    assert left.code == 0\n"
        f"print(sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=ROOT, capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    assert ran.stderr.strip() == "[]"
