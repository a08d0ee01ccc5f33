from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stemprep.naming import collision_key, distinct, distinct_paths, portable_path

CASES = Path(__file__).resolve().parents[3] / "shared" / "cases" / "cases.json"


@pytest.mark.parametrize(
    ("wanted", "given_names"),
    [
        (["a.wav", "b.wav"], ("a.wav", "b.wav")),
        (["Kick.wav", "kick.wav", "KICK.WAV"], ("Kick.wav", "kick_2.wav", "KICK_3.WAV")),
        (["a.wav", "A.wav", "a_2.wav"], ("a.wav", "A_3.wav", "a_2.wav")),
        (["Caf\u00e9.wav", "Cafe\u0301.wav"], ("Caf\u00e9.wav", "Cafe\u0301_2.wav")),
        (["x/a.wav", "y/a.wav"], ("x/a.wav", "y/a.wav")),
        (["Vox", "vox/lead.wav"], ("Vox_2", "vox/lead.wav")),
        (["Straße.wav", "STRASSE.wav"], ("Straße.wav", "STRASSE_2.wav")),
        (["Lead.wav", "Lead.aif"], ("Lead.wav", "Lead.aif")),
    ],
)
def test_distinct(wanted: list[str], given_names: tuple[str, ...]) -> None:
    assert distinct_paths(wanted) == given_names


def test_extension_can_be_ignored() -> None:
    assert distinct_paths(["Lead.wav", "Lead.aif"], is_extension_ignored=True) == (
        "Lead.wav",
        "Lead_2.aif",
    )
    assert collision_key("LEAD.aif", is_extension_ignored=True) == "lead"


def test_a_number_never_makes_a_name_too_long() -> None:
    long = "歌" * 78 + ".wav"
    names = distinct_paths([portable_path(long)] * 12)
    assert len(set(names)) == 12
    assert max(len(name.encode()) for name in names) <= 240


@given(st.lists(st.text("aAbé_2/.", min_size=1, max_size=6), max_size=12), st.booleans())
def test_distinct_for_any_names(raw: list[str], is_extension_ignored: bool) -> None:
    wanted = [portable_path(path) for path in raw]
    names = distinct_paths(wanted, is_extension_ignored=is_extension_ignored)
    keys = [collision_key(name, is_extension_ignored=is_extension_ignored) for name in names]
    assert len(set(keys)) == len(keys) == len(wanted)
    folders = {collision_key(n.rsplit("/", 1)[0]) for n in names if "/" in n}
    assert not folders & {collision_key(name) for name in names}


@pytest.mark.skipif(not CASES.exists(), reason="field cases are not beside the project")
def test_ten_in_ten_out() -> None:
    cases = json.loads(CASES.read_text(encoding="utf-8"))["cases"]
    case = next(case for case in cases if case["id"] == "c32_name_collisions")
    wanted = [portable_path(path) for path in case["paths"]]
    names = distinct_paths(wanted, is_extension_ignored=True)
    keys = {collision_key(name, is_extension_ignored=True) for name in names}
    assert len(keys) == case["facts"]["must_stay_distinct"]
    assert names[0].endswith("/Kick.wav")


def test_many_of_one_name_take_linear_work(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = 0
    really = distinct.collision_key

    def counted(path: str, *, is_extension_ignored: bool = False) -> str:
        nonlocal calls
        calls += 1
        return really(path, is_extension_ignored=is_extension_ignored)

    monkeypatch.setattr(distinct, "collision_key", counted)
    given = distinct_paths(["takes/Kick.wav"] * 3_000)
    assert len(set(given)) == 3_000
    assert given[:3] == ("takes/Kick.wav", "takes/Kick_2.wav", "takes/Kick_3.wav")
    assert calls < 10 * 3_000
