"""What goes where: text, JSON alone, silence, closed pipes, hostile names."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from stemprep.report import report_schema
from tests import signals
from tests.cli.running import ROOT, here
from tests.end_to_end import drops

Capture = pytest.CaptureFixture[str]
HOSTILE = "01 \x1b[2J\x1b]0;owned\x07\u202egnol.wav"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A name that clears a terminal, sets its title and writes backwards; one that is no UTF-8."""
    drop = tmp_path_factory.mktemp("hostile") / "drop\x1b[31m"
    drop.mkdir()
    take = drops.write_take(drop / HOSTILE, drops.note(peak_dbfs=-9, seconds=0.5))
    (drop / os.fsdecode(b"02 \xff\xfe.wav")).write_bytes(take.read_bytes())
    (drop / "notes\x1b[1m.txt").write_text("hello")
    return drop


def _strict(text: str) -> object:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.mark.parametrize("spec", ["base", "mastering", "overdub", "archive"])
def test_json_alone_and_valid(spec: str, tmp_path: Path, capsys: Capture) -> None:
    drop = drops.tracking_drop(tmp_path / "drop")
    for command in ("check", "plan"):
        ran = here(capsys, command, drop, "--spec", spec, "--json", "-")
        told = _strict(ran.out)
        jsonschema.validate(told, report_schema())
        assert ran.err == ""


def test_json_of_a_delivery(take: Path, tmp_path: Path, capsys: Capture) -> None:
    ran = here(
        capsys, "deliver", take, "--spec", "archive", "--to", tmp_path / "out", "--json", "-"
    )
    assert ran.code == 0
    told = _strict(ran.out)
    jsonschema.validate(told, report_schema())
    verified = here(capsys, "verify", *(tmp_path / "out").iterdir(), "--json", "-")
    assert verified.code == 0
    assert isinstance(_strict(verified.out), dict)


def test_json_of_hostile_names(hostile: Path, capsys: Capture) -> None:
    ran = here(capsys, "check", hostile, "--json", "-")
    told = _strict(ran.out)
    jsonschema.validate(told, report_schema())
    assert isinstance(told, dict)
    assert {file["path"] for file in told["files"]} == {HOSTILE, r"02 \xFF\xFE.wav"}


def test_json_in_a_file_beside_the_text(take: Path, tmp_path: Path, capsys: Capture) -> None:
    here_too = here(
        capsys, "check", take, "--json", tmp_path / "r.json", "--html", tmp_path / "r.html"
    )
    assert here_too.out.startswith("Verdict")
    assert (tmp_path / "r.json").read_text() == here(capsys, "check", take, "--json", "-").out
    assert "default-src 'none'" in (tmp_path / "r.html").read_text()


def test_json_alone_with_a_page_beside_it(take: Path, tmp_path: Path, capsys: Capture) -> None:
    ran = here(capsys, "check", take, "--json", "-", "--html", tmp_path / "r.html")
    assert ran.code == 0
    jsonschema.validate(_strict(ran.out), report_schema())
    assert "default-src 'none'" in (tmp_path / "r.html").read_text()


def test_quiet_prints_nothing_but_errors(take: Path, tmp_path: Path, capsys: Capture) -> None:
    for command in (
        ("check", take),
        ("plan", take, "--spec", "archive"),
        ("deliver", take, "--spec", "archive", "--to", tmp_path / "out"),
    ):
        ran = here(capsys, *command, "--quiet")
        assert (ran.code, ran.out, ran.err) == (0, "", "")
    assert here(capsys, "verify", *(tmp_path / "out").iterdir(), "--quiet").out == ""
    assert here(capsys, "check", tmp_path / "nowhere", "--quiet").err != ""


def test_names_never_reach_a_terminal_raw(hostile: Path, tmp_path: Path, capsys: Capture) -> None:
    commands: list[tuple[str | Path, ...]] = [
        ("check", hostile),
        ("plan", hostile, "--spec", "overdub"),
        ("deliver", hostile, "--spec", "archive", "--to", tmp_path / "out\x1b[5m"),
        ("check", tmp_path / "no\x1b[2Jwhere"),
        ("check", hostile, "--spec", "no\x1b[2Jspec"),
        ("verify", tmp_path / "no\x1b[2Jwhere"),
        ("explain", "clip\x1b[2J"),
        ("no\x1b[2J",),
        ("check", hostile, "--no\x1b[2J"),
        ("check", hostile, "--json", hostile / "x"),
    ]
    for command in commands:
        ran = here(capsys, *command)
        assert not set("\x1b\x07\u202e") & set(ran.out + ran.err), command


def test_a_sheets_words_never_reach_a_terminal_raw(tmp_path: Path, capsys: Capture) -> None:
    drop = drops.one_take(tmp_path / "drop")
    (drop / "session.yaml").write_text('artist: "a\\e[2J"\ntitle: "t\\e]0;owned\\a"\nno\\e: 1\n')
    assert "\x1b" not in here(capsys, "check", drop).err
    (drop / "session.yaml").write_text('artist: "a\\e[2J"\ntitle: "t\\e]0;owned\\a"\n')
    for command in (("check",), ("plan", "--spec", "archive")):
        ran = here(capsys, *command, drop)
        assert not set("\x1b\x07") & set(ran.out + ran.err)


def test_a_closed_pipe_is_no_error(take: Path) -> None:
    """The reader takes one byte and goes, as ``head`` does."""
    command = f"{sys.executable} -m stemprep explain | head -c 1; exit ${{PIPESTATUS[0]}}"
    ran = subprocess.run(
        ["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, check=False, timeout=300
    )
    assert ran.stderr == ""
    assert ran.returncode in (0, 141)


def test_text_fits_80_columns(tmp_path: Path, capsys: Capture) -> None:
    drop = drops.tracking_drop(tmp_path / "drop")
    for command in (("check", drop), ("plan", drop, "--spec", "overdub"), ("specs",)):
        ran = here(capsys, *command)
        assert max(map(len, ran.out.splitlines())) <= 80, command


def test_progress_on_a_terminal_and_silence_in_a_pipe(take: Path, capsys: Capture) -> None:
    assert here(capsys, "check", take).err == ""
    main_end, terminal = pty.openpty()
    try:
        subprocess.run(
            [sys.executable, "-m", "stemprep", "check", str(take)],
            cwd=ROOT, stdout=subprocess.DEVNULL, stderr=terminal, check=True, timeout=300,
        )  # fmt: skip
        os.write(terminal, b"end\n")
        shown = os.read(main_end, 65_536)
    finally:
        os.close(terminal)
        os.close(main_end)
    assert b"\r\x1b[K" in shown, "the line of progress is cleared at the end"


def test_a_plan_in_json_tells_what_stands(tmp_path: Path, capsys: Capture) -> None:
    """Also what does not stop the delivery: a plan that goes ahead had no findings at all."""
    one_side = signals.pluck(peak_dbfs=-6, seconds=1.0)
    signals.write_wav(tmp_path / "drop" / "Song_MIX.wav", np.repeat(one_side, 2, axis=0))
    ran = here(capsys, "plan", tmp_path / "drop", "--spec", "mastering", "--json", "-")
    told = json.loads(ran.out)
    assert ran.code == 0
    assert ("dual-mono", "warn") in {(f["check"], f["severity"]) for f in told["findings"]}
