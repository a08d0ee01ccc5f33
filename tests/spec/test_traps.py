"""YAML that loads elsewhere without error and means something else.

What a YAML 1.1 reader makes of each text is checked against PyYAML's SafeLoader, which follows
https://yaml.org/type/ (bool, null, int, float, timestamp), so that no trap here is imagined.
"""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
import yaml

from stemprep.errors import SpecError
from stemprep.spec import load_sheet, load_spec


def problems_of_sheet(text: str | bytes) -> tuple[str, ...]:
    content = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(SpecError) as caught:
        load_sheet(content, "session.yaml")
    return caught.value.problems


def problems_of_spec(folder: Path, text: str | bytes) -> tuple[str, ...]:
    file = folder / "house.yaml"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(SpecError) as caught:
        load_spec(file)
    return tuple(line.removeprefix(f"{folder}/") for line in caught.value.problems)


@pytest.mark.parametrize(
    ("text", "elsewhere", "told"),
    [
        ("No", False, "read as false"),
        ("off", False, "read as false"),
        ("on", True, "read as true"),
        ("yes", True, "read as true"),
        ("1979", 1979, "read as a number"),
        ("17.10", 17.1, "read as the number 17.1"),
        ("07", 7, "read as 7 (octal)"),
        ("010", 8, "read as 8 (octal)"),
        ("1:30", 90, "read as 90 (base 60)"),
        ("3:30", 210, "read as 210 (base 60)"),
        ("0x10", 16, "read as a number"),
        (".inf", float("inf"), "read as a number"),
    ],
)
def test_titles_that_yaml_takes_for_something_else(text: str, elsewhere: object, told: str) -> None:
    assert yaml.safe_load(f"title: {text}") == {"title": elsewhere}
    (line,) = problems_of_sheet(f"title: {text}\n")
    assert line.startswith("session.yaml:1:8: title: ")
    assert told in line
    assert f'quote it: "{text}"' in line
    assert load_sheet(f'title: "{text}"\n'.encode(), "session.yaml").title == text


@pytest.mark.parametrize("text", ["Null", "null", "~", ""])
def test_empty_values_are_never_taken_for_text_or_nothing(text: str) -> None:
    assert yaml.safe_load(f"title: {text}") == {"title": None}
    (line,) = problems_of_sheet(f"artist: A\ntitle: {text}\n")
    assert line.startswith("session.yaml:2:")
    assert "no value" in line


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("1e-3", "write 0.001"),
        ("1e3", "write 1000"),
        ("48_000", "write it without the underscores: 48000"),
        ("010", "octal in YAML 1.1; write 10"),
        ("07", "octal in YAML 1.1; write 7"),
        ("1:30", "in sixties: 90"),
        ("0x10", "YAML reads it as 16"),
        (".5", "write 0.5"),
        ("5.", "write 5.0"),
        ("-1,0", "the decimal sign is a point; write -1.0"),
        ("2 s", "the unit stands in the key's name; write 2"),
        ("50%", "the unit stands in the key's name; write 50"),
        ("loud", "is not a number"),
        (".inf", "is not a number"),
        (".nan", "is not a number"),
        ("2026-03-14", "is not a number"),
        ('"2"', "stands in quotes"),
        ("1" * 40, "is not a number"),
        ("-3", "is out of range"),
        ("[2]", "a list stands where one value is wanted"),
    ],
)
def test_numbers_are_plain_decimals(tmp_path: Path, text: str, told: str) -> None:
    (line,) = problems_of_spec(
        tmp_path, f"extends: base\nchecks:\n  head-silence:\n    max_s: {text}\n"
    )
    assert line.startswith("house.yaml:4:12: checks.head-silence.max_s: ")
    assert told in line


def test_an_exponent_without_point_is_text_to_others() -> None:
    """The reason for refusing it: PyYAML, as YAML 1.1 demands, gives a string."""
    assert yaml.safe_load("max_s: 1e-3") == {"max_s": "1e-3"}


@pytest.mark.parametrize(("text", "value"), [("2", 2.0), ("2.50", 2.5), ("0", 0.0), ("+1.5", 1.5)])
def test_plain_decimals_are_read(tmp_path: Path, text: str, value: float) -> None:
    file = tmp_path / "house.yaml"
    file.write_text(f"extends: base\nchecks:\n  head-silence:\n    max_s: {text}\n")
    assert load_spec(file).rule("head-silence", "mix").max_s == value  # type: ignore[attr-defined]


def test_a_fraction_is_no_whole_number() -> None:
    (line,) = problems_of_sheet("delivery: 1.0\n")
    assert "is not a whole number (it has a fraction)" in line


@pytest.mark.parametrize(
    ("text", "told"),
    [("yes", "write true"), ("On", "write true"), ("no", "write false"), ('"true"', "in quotes")],
)
def test_yes_and_no_have_one_spelling(text: str, told: str) -> None:
    (line,) = problems_of_sheet(f"unreleased: {text}\n")
    assert told in line


@pytest.mark.parametrize(("key", "reading"), [("on", "true"), ("no", "false"), ("yes", "true")])
def test_keys_that_yaml_reads_as_booleans(tmp_path: Path, key: str, reading: str) -> None:
    (line,) = problems_of_spec(tmp_path, f"extends: base\noperations:\n  {key}: trim\n")
    assert line.startswith(f"house.yaml:3:3: operations.{key}: no such key here")
    assert f"read as {reading} by YAML" in line


def test_the_word_off_is_a_severity_quoted_or_not(tmp_path: Path) -> None:
    """PyYAML reads a bare ``off`` as false; here the wanted type decides."""
    file = tmp_path / "house.yaml"
    for text in ("off", '"off"'):
        file.write_text(f"extends: base\nchecks: {{clutter: {text}}}\n")
        assert load_spec(file).rule("clutter", "track").severity == "off"


def test_dates_keep_their_text() -> None:
    """PyYAML makes date objects of both, which JSON cannot hold."""
    text = "date: 2026-03-14\ntitle: 2026-03-14T10:00:00+01:00\n"
    loaded = yaml.safe_load(text)
    assert isinstance(loaded["date"], datetime.date)
    sheet = load_sheet(text.encode(), "session.yaml")
    assert (sheet.date, sheet.title) == ("2026-03-14", "2026-03-14T10:00:00+01:00")


@pytest.mark.parametrize("text", ["14.3.2026", "2026-02-30", "20260314", "2026-3-14", "March"])
def test_other_dates_are_refused(text: str) -> None:
    (line,) = problems_of_sheet(f"date: {text}\n")
    assert "give a date as year-month-day (for example" in line


def test_takes_may_be_numbers_but_not_octal_ones() -> None:
    sheet = load_sheet(b"tracks: [{file: a.wav, take: 4}]", "session.yaml")
    assert sheet.tracks[0].take == "4"
    (line,) = problems_of_sheet("tracks: [{file: a.wav, take: 04}]")
    assert "octal" in line


def test_doubled_keys_are_told_with_both_lines(tmp_path: Path) -> None:
    (line,) = problems_of_spec(
        tmp_path,
        "extends: base\ntarget:\n  sample_rate_hz: 48000\n  bit_depth: 24\n"
        "  sample_rate_hz: 44100\n",
    )
    assert line == (
        "house.yaml:5:3: target.sample_rate_hz: the key stands twice, first in line 3; "
        "keep one of them"
    )


def test_a_misspelt_key_gets_the_nearest_known_one(tmp_path: Path) -> None:
    (line,) = problems_of_spec(tmp_path, "extends: base\ntarget: {sample_rte_hz: 96000}\n")
    assert line == (
        "house.yaml:2:10: target.sample_rte_hz: no such key here (did you mean sample_rate_hz?)"
    )


def test_a_key_that_is_no_check_is_told_without_all_checks(tmp_path: Path) -> None:
    (line,) = problems_of_spec(tmp_path, "extends: base\nchecks: {zzz: warn}\n")
    assert line.endswith("checks.zzz: no such key here; `stemprep explain` lists them all")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "1:1: the file is empty"),
        ("# only a comment\n", "1:1: the file is empty"),
        ("- title: a\n- extends: base\n", "1:1: a list stands where keys are wanted"),
        ("title house\n", '1:1: "title house" is no key with a value'),
        ("title: a\n---\ntitle: b\n", "2:1: a second document begins"),
        ("title: {artist}_{track}\n", "put a text with braces in quotes"),
        ("title: a: b\n", "put a text with a colon in quotes"),
        ("measure:\n\toverview_columns: 600\n", "2:1: a tab stands in the indentation"),
        ("title: @house\n", "a text cannot begin with @"),
        ("title: !!python/name:os.system\n", "1:8: the tag "),
        ("title: *house\n", "the alias"),
        ("title: &x [*x]\n", "the alias"),
        ("? [a, b]\n: c\n", "a key is one word"),
        ("<<: {title: a}\n", "merge keys are not read"),
        ("title: 'open\n", "not readable as YAML"),
        ('title: "a\\x07b"\n', "control character U+0007"),
        ('title: "a\\u202eb"\n', "control character U+202E"),
        ("title: a\x07b\n", "1:9: character U+0007 cannot stand"),
        ("title: >\n  a\n  b\n\n  c\n", "more than one line"),
        ("title: '  '\n", "blank"),
    ],
)
def test_files_of_another_form(tmp_path: Path, text: str, told: str) -> None:
    lines = problems_of_spec(tmp_path, text)
    assert any(told in line for line in lines), lines


def test_all_tabs_are_told_at_once(tmp_path: Path) -> None:
    lines = problems_of_spec(tmp_path, "measure:\n\ta: 1\ntarget:\n  \tb: 1\n")
    assert [line.split(": ")[0] for line in lines] == ["house.yaml:2:1", "house.yaml:4:3"]


@pytest.mark.parametrize(
    "content",
    [
        "artist: Bläser\n".encode("utf-8-sig"),
        "artist: Bläser\n".encode("utf-16"),
        b"\xfe\xff" + "artist: Bläser\n".encode("utf-16-be"),
        "artist: Bläser\r\n".encode(),
    ],
)
def test_encodings_that_say_what_they_are(content: bytes) -> None:
    assert load_sheet(content, "session.yaml").artist == "Bläser"


def test_latin_1_is_refused_where_it_shows() -> None:
    (line,) = problems_of_sheet("title: x\nartist: Bläser\n".encode("latin-1"))
    assert line.startswith("session.yaml:2:11: byte 0xE4 is not UTF-8")
    assert "save it as UTF-8" in line


def test_broken_utf_16_is_refused() -> None:
    (line,) = problems_of_sheet("artist: x\n".encode("utf-16") + b"\x00")
    assert "broken UTF-16" in line


def test_a_value_cut_by_a_comment_is_a_warning() -> None:
    sheet = load_sheet(b"title: Song #1\nartist: The Clerks # of the harbour\n", "session.yaml")
    assert sheet.title == "Song"
    (line,) = sheet.warnings
    assert line.startswith('session.yaml:1:8: title: only "Song" is read, "#1"')
    assert line.endswith('quote it: "Song #1"')
    assert load_sheet(b'title: "Song #1"\n', "session.yaml").warnings == ()


def test_all_problems_come_at_once_in_the_files_order(tmp_path: Path) -> None:
    lines = problems_of_spec(
        tmp_path,
        "title: No\nextends: base\nchecks:\n  clutter: loud\n  channel-count: {accepted: [x, 99]}\n"
        "target: {bit_depth: 3}\nnonsense: 1\n",
    )
    assert [line.split(": ")[1] for line in lines] == [
        "title",
        "checks.clutter.severity",
        "checks.channel-count.accepted[1]",
        "checks.channel-count.accepted[2]",
        "target.bit_depth",
        "nonsense",
    ]


BOMB = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{new}: &{new} [{', '.join(['*' + old] * 9)}]\n"
    for old, new in zip("abcdef", "bcdefg", strict=True)
)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (BOMB, "aliases counted in full"),
        ("a: &a x\nb: [" + "*a, " * 65 + "]", "more than 64 aliases"),
        ("[" * 5_000, "more than 64 levels"),
        ("a: " + "{a: " * 100 + "}" * 100, "more than 64 levels"),
        ("- x\n" * 120_000, "more than 100000 values"),
        ("#" * 1_000_001, "at most 1000000"),
        ("".join(f"titel{n}: x\n" for n in range(40_000)), "more problems"),
    ],
    ids=["laughs", "aliases", "brackets", "braces", "long", "big", "many-slips"],
)
def test_bombs_are_refused_in_reasonable_time(
    monkeypatch: pytest.MonkeyPatch, text: str, told: str
) -> None:
    """By both readers of PyYAML, which one an installation has is not ours to choose; the pure
    one is only slower, not different, on a long text.
    """
    lines = problems_of_sheet(text)
    if len(text) < 100_000:
        monkeypatch.setattr("stemprep.spec.tree._LOADER", yaml.SafeLoader)
        assert [line.split(": ", 1)[1] for line in problems_of_sheet(text)] == [
            line.split(": ", 1)[1] for line in lines
        ]
    assert told in lines[-1]
    assert len(lines) <= 101
