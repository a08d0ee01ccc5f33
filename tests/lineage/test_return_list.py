"""The filled-in sheet, as spreadsheets save it."""

from __future__ import annotations

import pytest

from stemprep.lineage.return_list import lines_by_path, parse_return_list, use_by_name
from stemprep.model.sheet import Use
from stemprep.report import returns_csv

HEADING = (
    "file,song,part,player,take,kept_or_alternate,dry_or_effect,same_start,microphone,"
    "printed_with,notes"
)
LINE = "A.wav,Low Water,solo guitar,M. Kestrel,3,alternate,dry,yes,ribbon,valve preamp,late by 212"


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\r\n", "\n"])
@pytest.mark.parametrize("start", [b"", b"\xef\xbb\xbf"])
def test_any_spreadsheets_way_is_read(mark: str, end: str, start: bytes) -> None:
    text = end.join([HEADING, LINE, "", ""]).replace(",", mark)
    (line,) = parse_return_list(start + text.encode())
    assert (line.file, line.part, line.player, line.take) == (
        "A.wav", "solo guitar", "M. Kestrel", "3",
    )  # fmt: skip
    assert (line.use, line.microphone, line.printed_with) == ("alternate", "ribbon", "valve preamp")
    assert line.notes == "late by 212"


def test_the_sheet_as_it_was_sent_lists_nothing() -> None:
    assert parse_return_list(returns_csv().encode()) == ()


@pytest.mark.parametrize("content", [b"", b"name,who\r\nA.wav,MK\r\n", b"\0\xff\xfe" * 40])
def test_what_is_no_such_sheet_says_so(content: bytes) -> None:
    with pytest.raises(ValueError, match="no column 'file'"):
        parse_return_list(content)


def test_lines_find_their_files_by_path_name_or_stem() -> None:
    names = "file\na.WAV\nTakes\\B.wav\nC\nGone.wav\n"
    found, missing = lines_by_path(
        parse_return_list(names.encode()), ["back/A.wav", "Takes/B.wav", "C.wav", "D.wav"]
    )
    assert set(found) == {"back/A.wav", "Takes/B.wav", "C.wav"}
    assert missing == ("Gone.wav",)


@pytest.mark.parametrize(
    ("path", "use"),
    [
        ("Gtr solo KEPT.wav", "main"),
        ("Gtr_solo_ALT2.wav", "alternate"),
        ("x/Gtr-alternate.wav", "alternate"),
        ("Alto Sax.wav", None),
        ("Basalt.wav", None),
    ],
)
def test_names_say_kept_or_alternate(path: str, use: Use | None) -> None:
    assert use_by_name(path) == use
