"""Specs that extend each other: what is taken over, what is refused, what the hash covers."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from stemprep.errors import SpecError
from stemprep.model.value_types import TEMPLATE_TOKENS
from stemprep.naming import TOKENS
from stemprep.spec import load_spec, spec_source


def write(folder: Path, name: str, text: str) -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def problems(path: Path | str) -> str:
    with pytest.raises(SpecError) as caught:
        load_spec(path)
    return str(caught.value)


def test_what_is_not_stated_is_taken_over(tmp_path: Path) -> None:
    write(tmp_path, "room.yaml", "title: Room\nextends: mastering\nchecks: {dual-mono: note}\n")
    spec = load_spec(
        write(
            tmp_path,
            "mine.yaml",
            "extends: room.yaml\nchecks:\n  clipping: {max_run_samples: 5, roles: {stem: warn}}\n",
        )
    )
    assert (spec.title, spec.name) == ("Room", "mine")
    assert spec.rule("dual-mono", "mix").severity == "note"
    assert spec.rule("split-pair", "mix").severity == "warn"  # of mastering
    assert spec.rule("clipping", "guide").severity == "note"  # of base
    assert spec.rule("clipping", "stem").severity == "warn"
    assert spec.rule("clipping", "stem").max_run_samples == 5  # type: ignore[attr-defined]


def test_lists_replace_and_none_lifts_a_limit(tmp_path: Path) -> None:
    spec = load_spec(
        write(
            tmp_path,
            "mine.yaml",
            "extends: mastering\ncontents: {left_out_roles: []}\n"
            "checks: {true-peak: {roles: {mix: {max_dbtp: none}}}}\n",
        )
    )
    assert spec.contents.left_out_roles == ()
    assert spec.rule("true-peak", "mix").max_dbtp is None  # type: ignore[attr-defined]


def test_a_fault_in_a_parent_is_told_in_the_parent(tmp_path: Path) -> None:
    write(tmp_path, "room.yaml", "extends: base\ntarget: {bit_depth: 1000, container: MP3}\n")
    told = problems(write(tmp_path, "mine.yaml", "extends: room.yaml\ntarget: {colour: red}\n"))
    assert told.splitlines()[0].startswith(f"{tmp_path}/mine.yaml:2:10: target.colour")
    assert f"{tmp_path}/room.yaml:2:21: target.bit_depth" in told
    assert f"{tmp_path}/room.yaml:2:38: target.container" in told


def test_a_loop_is_told(tmp_path: Path) -> None:
    write(tmp_path, "a.yaml", "extends: b.yaml\n")
    write(tmp_path, "b.yaml", "extends: a.yaml\n")
    assert '"a.yaml" -> "b.yaml" -> "a.yaml"' in problems(tmp_path / "a.yaml")
    assert "in a loop" in problems(write(tmp_path, "self.yaml", "extends: self.yaml\n"))


def test_five_links_are_enough(tmp_path: Path) -> None:
    for number in range(1, 4):
        write(tmp_path, f"{number}.yaml", f"extends: {number + 1}.yaml\n")
    write(tmp_path, "4.yaml", "extends: base\n")
    assert load_spec(tmp_path / "1.yaml").name == "1"  # 1 2 3 4 base
    write(tmp_path, "4.yaml", "extends: mastering\n")
    assert "more than 5 specs" in problems(tmp_path / "1.yaml")


@pytest.mark.parametrize(
    "wanted", ["../room.yaml", "/etc/passwd", "sub/room.yaml", "..", "gone.yaml"]
)
def test_only_the_same_folder_can_be_extended(tmp_path: Path, wanted: str) -> None:
    write(tmp_path, "room.yaml", "extends: base\n")
    (tmp_path / "sub").mkdir()
    write(tmp_path / "sub", "room.yaml", "extends: base\n")
    told = problems(write(tmp_path / "sub", "mine.yaml", f"extends: {wanted}\n"))
    assert told.count("\n") == 0
    assert ":1:10: extends:" in told or "not a file" in told


def test_a_spec_that_stands_alone_states_everything(tmp_path: Path) -> None:
    told = problems(write(tmp_path, "mine.yaml", "title: Mine\npurpose: none of it\n"))
    assert told.count("\n") == 0
    assert ":1:1: extends: missing, and " in told
    text = spec_source("base").replace("    max_run_samples: 2 ", "    # ")
    told = problems(write(tmp_path, "mine.yaml", text.replace("clutter: note", "# clutter")))
    assert [line.split(": ")[1] for line in told.splitlines()] == [
        "checks.clipping.max_run_samples", "checks.clutter",
    ]  # fmt: skip
    assert "missing; state it, or begin with extends: base" in told
    whole = write(tmp_path, "whole.yaml", spec_source("base"))
    assert load_spec(whole).sha256 == load_spec("base").sha256


def test_names_that_nobody_ships(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert "did you mean mastering?" in problems("masterin")
    assert "cannot be read" in problems("gone.yaml")
    assert "cannot be read" in problems(tmp_path / "gone")
    assert "not a file" in problems(tmp_path)


def test_a_pipe_is_never_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.yaml")
    assert "not a file" in problems(tmp_path / "pipe.yaml")


def test_a_shipped_name_wins_over_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path, "archive", "title: Mine\nextends: base\n")
    assert load_spec("archive").title == "Archive"
    assert load_spec("./archive").title == "Mine"


def test_the_hash_follows_the_content_alone(tmp_path: Path) -> None:
    plain = "extends: base\nchecks:\n  head-silence: {max_s: 3.0}\n  clutter: note\n"
    other = 'checks: {clutter: {severity: "note"}, head-silence: {max_s: 3}} # x\nextends: base\n'
    changed = plain.replace("3.0", "3.1")
    hashes = [
        load_spec(write(tmp_path, f"{index}.yaml", text)).sha256
        for index, text in enumerate((plain, other, changed))
    ]
    assert hashes[0] == hashes[1] != hashes[2]
    assert all(len(value) == 64 for value in hashes)


@pytest.mark.parametrize(
    ("template", "told"),
    [
        (
            "{artist_initial}",
            "has the unknown token {artist_initial} (did you mean artist_initials?)",
        ),
        ("{name", "lone brace"),
        ("{name}/x", "folder separator"),
        ("same", "no token"),
    ],
)
def test_templates_are_judged_at_their_place(tmp_path: Path, template: str, told: str) -> None:
    text = f'extends: base\nnaming:\n  template: "{template}"\n  template_roles: [mix]\n'
    line = problems(write(tmp_path, "mine.yaml", text))
    assert line.startswith(f"{tmp_path}/mine.yaml:3:13: naming.template: ")
    assert told in line


def test_a_template_names_the_roles_it_is_for(tmp_path: Path) -> None:
    text = 'extends: base\nnaming: {template: "{name}"}\n'
    assert "naming: template_roles: empty" in problems(write(tmp_path, "mine.yaml", text))
    spec = load_spec(
        write(tmp_path, "mine.yaml", text.replace("}\n", ", template_roles: [mix]}\n"))
    )
    assert (spec.naming.template, spec.naming.template_roles) == ("{name}", ("mix",))


def test_tokens_are_those_of_the_naming_room() -> None:
    assert set(TEMPLATE_TOKENS) == set(TOKENS)
