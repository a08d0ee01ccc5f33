"""The service's config: what it gives, and what is told when it does not hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from stemprep.errors import SpecError
from stemprep.model.service import DropLimits, Inbox, NoticeTargets, Retries
from stemprep.spec import load_service

EXAMPLE = Path(__file__).parents[2] / "configs" / "service.yaml"
SHORT = "state: state\ninboxes:\n  - {path: in, spec: mastering, deliver_to: out}\n"


def written(folder: Path, text: str) -> Path:
    file = folder / "service.yaml"
    file.write_text(text, encoding="utf-8")
    return file


def told(folder: Path, text: str) -> list[str]:
    with pytest.raises(SpecError) as raised:
        load_service(written(folder, text))
    return [line.removeprefix(f"{folder}/") for line in raised.value.problems]


def test_the_example_holds() -> None:
    config = load_service(EXAMPLE)
    assert config.warnings == ()
    assert [inbox.after for inbox in config.inboxes] == ["leave", "archive"]
    assert config.limits.max_bytes == 200_000_000_000


def test_relative_paths_count_from_the_config(tmp_path: Path) -> None:
    config = load_service(written(tmp_path, SHORT))
    assert config.state == tmp_path / "state"
    assert config.inboxes == (
        Inbox(path=tmp_path / "in", specs=("mastering",), deliver_to=(tmp_path / "out",)),
    )
    assert (config.limits, config.retries) == (DropLimits(), Retries())
    assert config.notices == NoticeTargets()


def test_one_or_more_specs_and_destinations(tmp_path: Path) -> None:
    (tmp_path / "house.yaml").write_text("extends: base\ntitle: House\npurpose: ours\n")
    text = SHORT.replace("spec: mastering", "spec: [archive, house.yaml]")
    config = load_service(written(tmp_path, text.replace("to: out", "to: [out, /far/out]")))
    assert config.inboxes[0].specs == ("archive", tmp_path / "house.yaml")
    assert config.destinations == (tmp_path / "out", Path("/far/out"))


@pytest.mark.parametrize(
    ("old", "new", "place", "words"),
    [
        ("path: in", "path: out/in", "3:49: inboxes[1].deliver_to[1]", "lie in each other"),
        ("to: out", "to: in/out", "inboxes[1].deliver_to[1]", "lies in the inbox"),
        ("state: state", "state: in/state", "1:8: state", "lies in the inbox"),
        ("path: in", "path: state/in", "inboxes[1].path", "lies in the state folder"),
        ("to: out", "to: out, after: archive", "inboxes[1].after", "add archive: FOLDER"),
        ("to: out", "to: out, archive: old", "inboxes[1].archive", "after: archive alone"),
        ("to: out", "to: out, after: archive, archive: in/old", "archive", "lies in the inbox"),
        ("to: out", "to: [out, ./out]", "inboxes[1].deliver_to[2]", "stands twice"),
        ("mastering", "mastring", "inboxes[1].spec[1]", "cannot be read"),
        ("path: in", "path: ~/in", "3:12: inboxes[1].path", "write the path in full"),
        ("to: out", "to: 's3://bucket/out'", "inboxes[1].deliver_to[1]", "address of a store"),
        ("to: out", "to: [out, 'sftp://host/out']", "inboxes[1].deliver_to[2]", "deliver --to"),
        ("state: state", "state: state\nengine: dask", "2:9: engine", "add scheduler"),
        ("state: state", "state: state\nscheduler: tcp://a:1", "scheduler", "engine: dask alone"),
        ("state: state", "state: state\nrescan_s: 0", "2:11: rescan_s", "out of range"),
        ("state: state", "state: state\nchecks: {}", "2:1: checks", "it belongs in a spec"),
        ("state: state", "state: state\nsettle_s: 3", "settle_s", "an entry of inboxes:"),
        ("to: out", "to: out, ready_marker: a/b", "ready_marker", "not the name of one file"),
    ],
)
def test_every_problem_is_told_with_its_place(
    tmp_path: Path, old: str, new: str, place: str, words: str
) -> None:
    lines = told(tmp_path, SHORT.replace(old, new))
    assert any(place in line and words in line for line in lines), lines
    assert all(line.startswith("service.yaml:") for line in lines)


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    lines = told(
        tmp_path,
        "state: in/state\ninboxes:\n"
        "  - {path: in, spec: mastering, deliver_to: out}\n"
        "  - {path: in/deeper, spec: archive, deliver_to: out, after: archive}\n",
    )
    assert [line.split(": ")[1] for line in lines] == [
        "state",
        "inboxes[2].path",
        "inboxes[2].after",
    ]


def test_a_link_does_not_hide_that_a_destination_lies_in_an_inbox(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "in")
    assert any("lies in the inbox" in line for line in told(tmp_path, SHORT))


def test_waits_double_up_to_the_longest() -> None:
    retries = Retries(attempts=9, first_wait_s=30, longest_wait_s=100)
    assert [retries.wait_s(attempt) for attempt in (1, 2, 3, 1000)] == [30, 60, 100, 100]
