"""``check``: one screen or all, several drops, what to ask for, progress; mistyped commands."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from stemprep.cli.examples import EXAMPLES
from stemprep.cli.main import COMMANDS
from tests.cli.running import here

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    folder = tmp_path / "drop"
    folder.mkdir()
    time = np.arange(48_000) / 48_000
    for number, peak in enumerate((0.3, 3.0)):
        sound = np.clip(peak * np.sin(2 * np.pi * 200 * time), -1, 1) * np.hanning(48_000) ** 0.1
        soundfile.write(folder / f"{number}.wav", np.clip(9 * sound, -1, 1), 48_000, "PCM_24")
    return folder


def test_one_screen_by_default_and_everything_on_request(capsys: Capture, drop: Path) -> None:
    brief, whole = here(capsys, "check", drop), here(capsys, "check", drop, "--all")
    assert brief.code == whole.code
    assert len(brief.out.splitlines()) < 24
    assert "All of it: --all" in brief.out
    assert "The set" in whole.out


def test_several_drops_are_told_one_after_the_other(capsys: Capture, drop: Path) -> None:
    ran = here(capsys, "check", drop, drop / "0.wav")
    assert ran.out.count("Verdict") == 2
    assert here(capsys, "check", drop, drop, "--json", "-").code == 2


def test_what_to_ask_for_is_written(capsys: Capture, drop: Path, tmp_path: Path) -> None:
    file = tmp_path / "again.txt"
    here(capsys, "check", drop, "--ask", file, "--quiet")
    assert "export again" in file.read_text()
    assert here(capsys, "check", drop, "--ask", drop / "again.txt").code == 2


def test_an_earlier_report_is_compared(capsys: Capture, drop: Path, tmp_path: Path) -> None:
    old = tmp_path / "old.json"
    here(capsys, "check", drop, "--json", old, "--quiet")
    ran = here(capsys, "check", drop, "--since", old)
    assert "Since old.json: 0 fixed" in ran.out
    assert ", 0 new." in ran.out
    assert here(capsys, "check", drop, "--since", drop / "0.wav").code == 4


def test_progress_for_programs_is_json_on_standard_error(capsys: Capture, drop: Path) -> None:
    told = [
        json.loads(line)
        for line in here(capsys, "check", drop, "--progress", "json").err.splitlines()
    ]
    assert [each["done"] for each in told] == [1, 2]
    assert {each["total"] for each in told} == {2}
    assert told[-1]["left_s"] in (None, 0.0)


def test_a_mistyped_command_gets_what_was_meant(capsys: Capture) -> None:
    ran = here(capsys, "chek", "drop")
    assert ran.code == 2
    assert "Did you mean 'check'?" in ran.err
    assert "Did you mean" not in here(capsys, "zzzz").err


@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_page_holds_three_examples(capsys: Capture, command: str) -> None:
    out = here(capsys, command, "--help").out
    for example in EXAMPLES[command]:
        assert f"    {example}\n" in out
