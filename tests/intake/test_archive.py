"""Zips made by hand; field names and offsets after PKWARE's APPNOTE.TXT 6.3."""

from __future__ import annotations

import errno
import shutil
import stat
import struct
import zipfile
import zlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stemprep.errors import InputError
from stemprep.intake import Scan, open_regular, scan_drop, zip_directory
from stemprep.intake import archive as archive_module
from tests.intake.drops import (
    SOUND,
    by_path,
    kinds,
    link_info,
    make_zip,
    patched,
    scan,
    with_flags,
)


def content(found: Scan, path: str) -> bytes:
    with open_regular(found.root, by_path(found)[path].raw_path) as stream:
        return stream.read()


def unpacked_names(found: Scan) -> list[str]:
    return sorted(path.name for path in Path(found.root).rglob("*"))


def the_only(found: Scan) -> tuple[str, str, str]:
    (entry,) = found.entries
    return entry.path, entry.kind, entry.hazard


def test_a_zip_is_unpacked_and_listed(tmp_path: Path) -> None:
    entries = [("Song/", b""), ("Song/b.wav", SOUND), ("Song/a.wav", SOUND), ("notes.txt", b"hi")]
    found = scan(make_zip(tmp_path / "Dawn.zip", entries))
    assert (found.name, found.archive) == ("Dawn", "Dawn.zip")
    assert {entry.archive for entry in found.entries} == {"Dawn.zip"}
    assert kinds(found) == {"Song/a.wav": "audio", "Song/b.wav": "audio", "notes.txt": "document"}
    assert [entry.path for entry in found.entries] == ["Song/a.wav", "Song/b.wav", "notes.txt"]
    assert [entry.raw_path for entry in found.entries] == sorted(e.raw_path for e in found.entries)
    assert content(found, "Song/a.wav") == SOUND
    assert content(found, "notes.txt") == b"hi"


def test_deflated_content_comes_out_whole(tmp_path: Path) -> None:
    data = bytes(range(256)) * 20_000
    with zipfile.ZipFile(tmp_path / "Dawn.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.wav", data)
    assert content(scan(tmp_path / "Dawn.zip"), "a.wav") == data


def test_clutter_in_a_zip_is_named_and_not_unpacked(tmp_path: Path) -> None:
    entries = [("S/Kick.wav", SOUND), ("__MACOSX/S/._Kick.wav", b"x"), ("S/.DS_Store", b"x")]
    found = scan(make_zip(tmp_path / "d.zip", entries))
    assert kinds(found) == {
        "S/.DS_Store": "clutter",
        "S/Kick.wav": "audio",
        "__MACOSX/S/._Kick.wav": "clutter",
    }
    assert len(unpacked_names(found)) == 1


@pytest.mark.parametrize(
    "name",
    [
        "../out.wav",
        "a/../../out.wav",
        "/abs.wav",
        "C:out.wav",
        "c:\\out.wav",
        "..\\out.wav",
        "\\\\host\\out.wav",
        "a//b.wav",
        "a/./b.wav",
        "..",
        "../",
        "x" * 5000,
    ],
)
def test_names_that_leave_the_folder_are_refused_one_by_one(tmp_path: Path, name: str) -> None:
    found = scan(make_zip(tmp_path / "d.zip", [(name, SOUND), ("ok.wav", SOUND)]))
    refused = [entry for entry in found.entries if entry.kind == "unsafe"]
    assert [(entry.path, entry.hazard) for entry in refused] == [(name, "escape")]
    assert "not unpacked" in refused[0].reason
    assert content(found, "ok.wav") == SOUND
    assert len(unpacked_names(found)) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["d.zip", "unpacked"]


def test_a_leading_dot_folder_is_left_off(tmp_path: Path) -> None:
    assert kinds(scan(make_zip(tmp_path / "d.zip", [("./a.wav", SOUND)]))) == {"a.wav": "audio"}


def test_a_full_disk_while_unpacking_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(archive_module, "_write", full)
    with pytest.raises(InputError, match=r"d\.zip: cannot be unpacked \(No space left"):
        scan(make_zip(tmp_path / "d.zip", [("a.wav", SOUND)]))


def test_a_null_character_in_a_name_is_refused(tmp_path: Path) -> None:
    path = patched(make_zip(tmp_path / "d.zip", [("aXb.wav", SOUND)]), b"aXb.wav", b"a\0b.wav")
    assert the_only(scan(path))[1:] == ("unsafe", "escape")


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFSOCK])
def test_links_and_devices_in_a_zip_are_refused(tmp_path: Path, kind: int) -> None:
    info = link_info("a.wav")
    info.external_attr = (kind | 0o777) << 16
    found = scan(make_zip(tmp_path / "d.zip", [(info, b"/etc/hostname")]))
    assert the_only(found) == ("a.wav", "unsafe", "escape")
    assert unpacked_names(found) == []


def test_twins_in_case_and_in_unicode_form_both_survive(tmp_path: Path) -> None:
    names = ["Kick.wav", "kick.wav", "e\u0301.wav", "\u00e9.wav"]
    found = scan(make_zip(tmp_path / "d.zip", [(n, SOUND + n.encode()) for n in names]))
    assert {path: content(found, path) for path in kinds(found)} == {
        name: SOUND + name.encode() for name in names
    }
    assert len({entry.raw_path.lower() for entry in found.entries}) == 4


def test_of_one_name_twice_the_first_is_taken_and_the_second_told(tmp_path: Path) -> None:
    path = make_zip(tmp_path / "d.zip", [("a.wav", SOUND + b"1"), ("b.wav", SOUND + b"2")])
    found = scan(patched(path, b"b.wav", b"a.wav"))
    first, second = found.entries
    assert (first.kind, second.kind, second.hazard) == ("audio", "unsafe", "duplicate")
    with open_regular(found.root, first.raw_path) as stream:
        assert stream.read() == SOUND + b"1"


def test_unmarked_utf8_is_read_as_such_with_a_note(tmp_path: Path) -> None:
    path = with_flags(make_zip(tmp_path / "d.zip", [("Bläser.wav", SOUND)]), 0)
    entry = by_path(scan(path))["Bläser.wav"]
    assert entry.reason.endswith("name not marked as UTF-8 but read as such")


def test_other_unmarked_names_are_code_page_437(tmp_path: Path) -> None:
    path = make_zip(tmp_path / "d.zip", [("BlXser.wav", SOUND)])
    entry = by_path(scan(patched(path, b"BlXser", b"Bl\x84ser")))["Bläser.wav"]
    assert "code page 437" in entry.reason


def test_marked_names_carry_no_note(tmp_path: Path) -> None:
    entry = by_path(scan(make_zip(tmp_path / "d.zip", [("Bläser.wav", SOUND)])))["Bläser.wav"]
    assert entry.reason == "audio by its extension .wav"


@pytest.mark.parametrize(
    ("system", "others", "expected"),
    [
        (0, ["a/b.wav"], "Song/Kick.wav"),
        (10, ["a/b.wav"], "Song/Kick.wav"),
        (3, [], "Song/Kick.wav"),
        (3, ["a/b.wav"], "Song\\Kick.wav"),
    ],
)
def test_backslashes_are_folders_unless_slashes_are(
    tmp_path: Path, system: int, others: list[str], expected: str
) -> None:
    """By the system that the zip names; without one slash in the zip whatever it names."""
    info = zipfile.ZipInfo("Song\\Kick.wav")
    info.create_system = system
    content = [(info, SOUND), *((name, SOUND) for name in others)]
    assert expected in kinds(scan(make_zip(tmp_path / "d.zip", content), tmp_path / "w"))


def test_backslashes_never_lead_out_of_the_folder(tmp_path: Path) -> None:
    found = scan(make_zip(tmp_path / "d.zip", [("..\\..\\Kick.wav", SOUND)]), tmp_path / "w")
    assert the_only(found)[1:] == ("unsafe", "escape")


def test_a_unicode_path_counts_only_with_the_sum_of_its_name(tmp_path: Path) -> None:
    """APPNOTE.TXT, 4.6.9: a field whose sum is not that of the name is out of date."""
    names = []
    for number, of in enumerate((b"Kick.wav", b"Snare.wav")):
        info = zipfile.ZipInfo("Kick.wav")
        payload = struct.pack("<BI", 1, zlib.crc32(of)) + "Trömmel.wav".encode()
        info.extra = struct.pack("<HH", 0x7075, len(payload)) + payload
        zipped = make_zip(tmp_path / f"{number}.zip", [(info, SOUND)])
        names += list(kinds(scan(zipped, tmp_path / f"w{number}")))
    assert names == ["Trömmel.wav", "Kick.wav"]


def test_encrypted_entries_are_refused(tmp_path: Path) -> None:
    found = scan(with_flags(make_zip(tmp_path / "d.zip", [("a.wav", SOUND)]), 1))
    assert the_only(found) == ("a.wav", "unsafe", "encrypted")


def test_rare_packing_is_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "d.zip", "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("a.wav", SOUND)
    assert the_only(scan(tmp_path / "d.zip")) == ("a.wav", "unsafe", "unsupported")


def test_an_inner_zip_is_carried_unopened(tmp_path: Path) -> None:
    inner = make_zip(tmp_path / "inner.zip", [("a.wav", SOUND)]).read_bytes()
    entry = by_path(scan(make_zip(tmp_path / "d.zip", [("in.zip", inner)])))["in.zip"]
    assert entry.kind == "document"
    assert "not opened" in entry.reason


def test_a_wrong_checksum_names_the_inner_file(tmp_path: Path) -> None:
    path = make_zip(tmp_path / "d.zip", [("a.wav", SOUND + b"sound"), ("b.wav", SOUND)])
    found = scan(patched(path, b"sound", b"noise"))
    entry = by_path(found)["a.wav"]
    assert (entry.kind, entry.hazard, entry.archive) == ("unsafe", "damaged", "d.zip")
    assert "CRC" in entry.reason
    assert len(unpacked_names(found)) == 1
    assert content(found, "b.wav") == SOUND


def test_an_entry_that_holds_less_than_it_says_is_damaged(tmp_path: Path) -> None:
    path = make_zip(tmp_path / "d.zip", [("a.wav", SOUND)])
    data = bytearray(path.read_bytes())
    at = data.find(b"PK\1\2")
    struct.pack_into("<I", data, at + 24, len(SOUND) + 1000)  # uncompressed size, 4.3.12
    path.write_bytes(data)
    assert the_only(scan(path)) == ("a.wav", "unsafe", "damaged")


@pytest.mark.parametrize("kept", [0, 3, 30, 100, -1, -22])
def test_a_zip_that_was_cut_is_one_entry_of_its_own(tmp_path: Path, kept: int) -> None:
    path = make_zip(tmp_path / "cut.zip", [("a.wav", SOUND * 10), ("b.wav", SOUND)])
    path.write_bytes(path.read_bytes()[:kept])
    found = scan(path)
    assert the_only(found) == ("cut.zip", "unsafe", "broken-archive")
    assert found.entries[0].archive == "cut.zip"
    assert "ask for it again" in found.entries[0].reason
    assert unpacked_names(found) == []


def test_a_zip_is_known_by_its_first_bytes_too(tmp_path: Path) -> None:
    make_zip(tmp_path / "d.zip", [("a.wav", SOUND)]).rename(tmp_path / "Dawn")
    assert kinds(scan(tmp_path / "Dawn")) == {"a.wav": "audio"}


def test_an_empty_zip_is_an_empty_drop(tmp_path: Path) -> None:
    assert scan(make_zip(tmp_path / "d.zip", [])).entries == ()


def test_more_comes_out_than_allowed(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.wav", b"\0" * 1_000_000)
    (tmp_path / "w").mkdir()
    found = scan_drop(tmp_path / "bomb.zip", tmp_path / "w", max_unpacked_bytes=999_999)
    assert the_only(found) == ("bomb.zip", "unsafe", "too-large")
    assert "1,000,000 bytes" in found.entries[0].reason
    assert unpacked_names(found) == []


def test_an_entry_that_lies_about_its_size_cannot_write_more(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.wav", b"\0" * 1_000_000)
    data = bytearray((tmp_path / "bomb.zip").read_bytes())
    struct.pack_into("<I", data, data.find(b"PK\1\2") + 24, 10)
    (tmp_path / "bomb.zip").write_bytes(data)
    found = scan(tmp_path / "bomb.zip")
    assert the_only(found) == ("a.wav", "unsafe", "damaged")
    assert unpacked_names(found) == []


def test_too_many_entries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(zip_directory, "MAX_ZIP_ENTRIES", 3)
    names = ["a.wav", "b.wav", "c.wav", "d.wav"]
    ok = scan(make_zip(tmp_path / "3.zip", [(n, SOUND) for n in names[:3]]), tmp_path / "w3")
    assert len(ok.entries) == 3
    found = scan(make_zip(tmp_path / "4.zip", [(n, SOUND) for n in names]), tmp_path / "w4")
    assert the_only(found) == ("4.zip", "unsafe", "too-large")


def test_a_directory_that_understates_its_count_is_counted_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(zip_directory, "MAX_ZIP_ENTRIES", 3)
    path = make_zip(tmp_path / "d.zip", [(f"{n}.wav", SOUND) for n in range(4)])
    data = bytearray(path.read_bytes())
    struct.pack_into("<HH", data, data.rfind(b"PK\5\6") + 8, 1, 1)
    path.write_bytes(data)
    assert the_only(scan(path)) == ("d.zip", "unsafe", "too-large")


def test_a_huge_directory_is_refused_before_it_is_read(tmp_path: Path) -> None:
    path = make_zip(tmp_path / "d.zip", [("a.wav", SOUND)])
    data = bytearray(path.read_bytes())
    struct.pack_into("<I", data, data.rfind(b"PK\5\6") + 12, 1 << 30)
    path.write_bytes(data)
    assert the_only(scan(path)) == ("d.zip", "unsafe", "too-large")


def test_the_64_bit_directory_record_is_read(tmp_path: Path) -> None:
    """APPNOTE.TXT 4.3.14 and 4.3.15: record and locator stand before the short one."""
    path = make_zip(tmp_path / "d.zip", [("a.wav", SOUND)])
    data = path.read_bytes()
    end = data.rfind(b"PK\5\6")
    start, size = data.find(b"PK\1\2"), end - data.find(b"PK\1\2")
    for count, expected in (
        (1, ("a.wav", "audio", "")),
        (1 << 40, ("d.zip", "unsafe", "too-large")),
    ):
        record = struct.pack("<4sQHHIIQQQQ", b"PK\6\6", 44, 45, 45, 0, 0, count, count, size, start)
        locator = struct.pack("<4sIQI", b"PK\6\7", 0, end, 1)
        path.write_bytes(data[:end] + record + locator + data[end:])
        assert the_only(scan(path, tmp_path / str(count))) == expected


def test_no_room_to_unpack(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = make_zip(tmp_path / "d.zip", [("a.wav", SOUND)])
    usage = shutil.disk_usage(tmp_path)._replace(free=archive_module.KEPT_FREE_BYTES)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage)
    with pytest.raises(InputError, match="make room there") as told:
        scan(path)
    assert isinstance(told.value.__cause__, OSError)  # by which a full disk is told from a bad zip
    assert told.value.__cause__.errno == errno.ENOSPC


@given(cut=st.integers(0, 400), at=st.integers(0, 400), value=st.integers(0, 255))
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_damage_to_a_zip_makes_intake_fail(
    tmp_path: Path, cut: int, at: int, value: int
) -> None:
    path = make_zip(tmp_path / "d.zip", [("Song/a.wav", SOUND * 3), ("Bläser.txt", b"x" * 40)])
    data = bytearray(path.read_bytes())
    data[at % len(data)] = value
    path.write_bytes(data[: len(data) - cut if cut < 40 else len(data)])
    workspace = tmp_path / "w"
    shutil.rmtree(workspace, ignore_errors=True)
    try:
        found = scan(path, workspace)
    except InputError:
        return  # told in words: neither folder nor zip, or no room for what it claims to hold
    for entry in found.entries:
        assert (entry.kind == "unsafe") == bool(entry.hazard)
        if entry.kind in ("audio", "document"):
            assert len(content(found, entry.path)) == entry.size_bytes
    assert {path.name for path in tmp_path.iterdir()} == {"d.zip", "w"}


def test_a_count_that_lies_does_not_open_the_door(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library reads as many entries as the directory has bytes for, whatever the count says."""
    monkeypatch.setattr(zip_directory, "MAX_ZIP_ENTRIES", 100)
    path = make_zip(tmp_path / "Dawn.zip", [(f"{number}.txt", b"x") for number in range(101)])
    content = bytearray(path.read_bytes())
    struct.pack_into("<HH", content, content.rindex(b"PK\5\6") + 8, 1, 1)  # 4.3.16: entries
    path.write_bytes(content)

    def opened(*_: object) -> zipfile.ZipFile:
        raise AssertionError("the library was asked to read the directory")

    monkeypatch.setattr(zipfile, "ZipFile", opened)
    assert the_only(scan(path)) == ("Dawn.zip", "unsafe", "too-large")


def test_entries_over_each_other_are_refused(tmp_path: Path) -> None:
    """Many names for the same packed bytes: a small zip that unpacks to terabytes."""
    path = make_zip(tmp_path / "Dawn.zip", [("a.wav", SOUND)])
    content = path.read_bytes()
    start, end = content.index(b"PK\1\2"), content.index(b"PK\5\6")
    entry = content[start:end]
    last = bytearray(content[end:])
    struct.pack_into("<HHI", last, 8, 3, 3, 3 * len(entry))
    path.write_bytes(content[:start] + entry * 3 + last)
    found = scan(path)
    assert the_only(found) == ("Dawn.zip", "unsafe", "overlapping")
    assert "over each other" in found.entries[0].reason
