"""What happened to each file: never advice that could cost the only original."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stemprep.model.package import Damage, Verification
from stemprep.package import verify_package
from tests.package import records
from tests.package.test_bag import tree

BASS, VOICE, MIX = "data/stems/Bass.wav", "data/stems/Voice.wav", "data/mix/Lantern.wav"


@pytest.fixture
def package(tmp_path: Path) -> Path:
    return records.delivered(tmp_path)


def by_path(result: Verification) -> dict[str, Damage]:
    return {damage.path: damage for damage in result.damages}


def cured(package: Path, result: Verification) -> Verification:
    """Run the lines that were advised, as a person would, and verify again."""
    assert result.commands
    subprocess.run(["/bin/sh", "-e", "-c", "\n".join(result.commands)], check=True)
    return verify_package(package)


@pytest.mark.parametrize(
    "name",
    [
        "data/stems/Bass (1).wav", "data/stems/bass.wav", "data/stems/BASS.WAV",
        "data/Stems/Bass.wav", "data/Bass.wav", "Bass.wav", "data/new/deep/it's $(odd).wav",
        "data/stems/-n.wav", "data/.DS_Store", "data/stems/._Bass.wav",
    ],
)  # fmt: skip
def test_a_renamed_file_is_told_as_that(package: Path, name: str) -> None:
    before = tree(package)
    (package / name).parent.mkdir(parents=True, exist_ok=True)
    (package / BASS).rename(package / name)
    result = verify_package(package)
    (damage,) = result.damages
    assert (damage.path, damage.kind, damage.cause) == (BASS, "renamed", "renamed")
    assert damage.found_at == name
    assert name in damage.message
    assert not result.is_whole
    assert result.system_files == ()
    assert cured(package, result).is_whole
    assert {path: data for path, data in tree(package).items() if path in before} == before


def test_swapped_files_get_their_names_back(package: Path) -> None:
    (package / BASS).rename(package / "x")
    (package / VOICE).rename(package / BASS)
    (package / "x").rename(package / VOICE)
    result = verify_package(package)
    found = by_path(result)
    assert {path: (d.cause, d.found_at) for path, d in found.items()} == {
        BASS: ("swapped", VOICE),
        VOICE: ("swapped", BASS),
    }
    assert "swapped with" in found[BASS].message
    assert cured(package, result).is_whole


def test_three_swapped_round(package: Path) -> None:
    contents = {path: (package / path).read_bytes() for path in (BASS, VOICE, MIX)}
    for path, other in ((BASS, VOICE), (VOICE, MIX), (MIX, BASS)):
        (package / path).write_bytes(contents[other])
    result = verify_package(package)
    assert {d.cause for d in result.damages} == {"swapped"}
    assert cured(package, result).is_whole


def test_another_file_under_its_name_is_kept(package: Path) -> None:
    (package / BASS).rename(package / "data/stems/Bass old.wav")
    (package / BASS).write_bytes(b"the only other take")
    result = verify_package(package)
    (damage,) = result.damages
    assert (damage.path, damage.cause, damage.found_at) == (
        BASS, "replaced", "data/stems/Bass old.wav",
    )  # fmt: skip
    assert cured(package, result).is_whole
    (kept,) = package.with_name(f"{package.name}.set-aside").iterdir()
    assert kept.read_bytes() == b"the only other take"


def test_a_file_over_another_one(package: Path) -> None:
    """Bass was dragged over Voice: Bass is there, Voice is lost."""
    (package / BASS).replace(package / VOICE)
    found = by_path(verify_package(package))
    assert (found[BASS].kind, found[BASS].found_at) == ("renamed", VOICE)
    assert found[VOICE].cause == "replaced"
    assert "fetch" in found[VOICE].message
    assert cured(package, verify_package(package)).damages[0].path == VOICE
    assert by_path(verify_package(package))[VOICE].kind == "missing"


def test_what_a_double_holds_is_copied(tmp_path: Path) -> None:
    silent = b"RIFF silence" * 40
    audio = {"stems/Left.wav": silent, "stems/Right.wav": silent}
    package = records.delivered(tmp_path, audio=audio)
    (package / "data/stems/Left.wav").unlink()
    result = verify_package(package)
    (damage,) = result.damages
    assert (damage.kind, damage.found_at) == ("missing", "data/stems/Right.wav")
    assert cured(package, result).is_whole


def test_doubles_that_were_renamed_together(tmp_path: Path) -> None:
    silent = b"RIFF silence" * 40
    audio = {f"stems/{n}.wav": silent for n in "ABC"}
    package = records.delivered(tmp_path, audio=audio)
    (package / "data/stems").rename(package / "data/Stems")
    result = verify_package(package)
    assert {d.path: d.found_at for d in result.damages} == {
        f"data/stems/{n}.wav": f"data/Stems/{n}.wav" for n in "ABC"
    }
    assert cured(package, result).is_whole


def test_a_copy_too_many(package: Path) -> None:
    (package / "data/documents/notes.txt").unlink()
    shutil.copy(package / BASS, package / "data/stems/Bass copy.wav")
    found = by_path(verify_package(package))
    assert found["data/stems/Bass copy.wav"].found_at == BASS
    assert "is whole" in found["data/stems/Bass copy.wav"].message


def test_other_letters_and_other_bytes(package: Path) -> None:
    (package / BASS).unlink()
    (package / "data/stems/bass.WAV").write_bytes(b"RIFF bass, edited")
    (damage,) = verify_package(package).damages
    assert (damage.path, damage.kind, damage.found_at) == (BASS, "changed", "data/stems/bass.WAV")
    assert "keep it" in damage.message


def test_a_tag_file_that_was_renamed(tmp_path: Path) -> None:
    package = records.delivered(tmp_path, readme="What this is.\n")
    (package / "README.txt").rename(package / "Readme.TXT")
    result = verify_package(package)
    assert by_path(result)["README.txt"].found_at == "Readme.TXT"
    assert cured(package, result).is_whole


@pytest.mark.parametrize(
    "name",
    [
        ".DS_Store", "data/.DS_Store", "data/stems/._Bass.wav", "data/stems/Thumbs.db",
        "desktop.ini", "data/Desktop.ini", ".Spotlight-V100/Store-V2/index", "data/Icon\r",
        "data/.AppleDouble/Bass.wav", "System Volume Information/WPSettings.dat",
    ],
)  # fmt: skip
def test_files_of_another_system_are_no_damage(package: Path, name: str) -> None:
    (package / name).parent.mkdir(parents=True, exist_ok=True)
    (package / name).write_bytes(b"?")
    result = verify_package(package)
    assert result.is_whole
    assert result.system_files == (name,)
    assert result.files == 7


def test_a_link_named_like_a_file_of_a_system_is_none(package: Path) -> None:
    (package / "data/.DS_Store").symlink_to("/etc/hostname")
    assert not verify_package(package).is_whole


def test_another_unicode_form_is_told(tmp_path: Path) -> None:
    package = records.delivered(tmp_path, audio={"stems/Caf\u00e9.wav": b"RIFF cafe"})
    here = "data/stems/Cafe\u0301.wav"
    (package / "data/stems/Caf\u00e9.wav").rename(package / here)
    result = verify_package(package)
    assert result.is_whole
    assert result.other_forms == (("data/stems/Caf\u00e9.wav", here),)


def test_nothing_too_large_to_be_what_is_lost_is_read(package: Path) -> None:
    """A sparse file of terabytes costs its sender nothing."""
    (package / BASS).unlink()
    with (package / "data/huge.wav").open("wb") as stream:
        stream.truncate(1 << 40)
    found = by_path(verify_package(package))
    assert found["data/huge.wav"].kind == "extra"
    assert found[BASS].kind == "missing"


@pytest.mark.parametrize(
    ("change", "words"),
    [(lambda data: data[:-7], "7 bytes shorter"), (lambda data: data + b"1234", "4 bytes longer")],
)
def test_by_how_much_a_file_is_shorter_or_longer(
    package: Path, change: Callable[[bytes], bytes], words: str
) -> None:
    (package / BASS).write_bytes(change((package / BASS).read_bytes()))
    (damage,) = verify_package(package).damages
    assert words in damage.message


FILES = (BASS, VOICE, MIX, "data/documents/notes.txt", "data/report/qc-report.txt")
FREE = ("data/other.wav", "data/stems/other/deep.wav", "loose.wav", "data/STEMS/bass.wav")


@pytest.fixture(scope="module")
def kept_package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return records.delivered(tmp_path_factory.mktemp("kept"))


@given(
    moves=st.lists(st.tuples(st.sampled_from(FILES + FREE), st.sampled_from(FILES + FREE))),
)
@settings(
    max_examples=60,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_no_bytes_are_lost_by_doing_as_told(
    kept_package: Path,
    tmp_path_factory: pytest.TempPathFactory,
    moves: list[tuple[str, str]],
) -> None:
    """Any exchange of names: the lines leave every content there, and all that can be is right."""
    package = tmp_path_factory.mktemp("any") / "Package"
    shutil.copytree(kept_package, package)
    before = {data for _, data in tree(package).values()}
    for one, other in moves:
        hand_over(package, one, other)
    result = verify_package(package)
    if result.commands:
        subprocess.run(["/bin/sh", "-e", "-c", "\n".join(result.commands)], check=True)
    after = verify_package(package)
    assert {data for _, data in tree(package.parent).values()} >= before
    assert after.is_whole or not moves


def hand_over(package: Path, one: str, other: str) -> None:
    """Exchange two names, whichever of them is there."""
    first, second, aside = package / one, package / other, package / "aside"
    for path in (first, second):
        path.parent.mkdir(parents=True, exist_ok=True)
    for source, target in ((first, aside), (second, first), (aside, second)):
        if source.exists():
            source.rename(target)
