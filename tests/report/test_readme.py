"""README.txt of an archive: read by somebody who has the folder and nobody to ask."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from typing import get_args

from stemprep.model.header import Bext
from stemprep.model.plan import Companion, LeftOut
from stemprep.model.sheet import SessionSheet
from stemprep.model.words import ROLES, Container
from stemprep.report import render_readme
from stemprep.report.layout import columns
from stemprep.report.readme import FORMATS, GLOSSARY
from tests.report import factory


def text(sheet: SessionSheet | None = None, days: Sequence[str] = ()) -> str:
    report = factory.delivered()
    if sheet is not None:
        session = dataclasses.replace(report.measured.session, sheet=sheet)
        measured = dataclasses.replace(report.measured, session=session)
        report = dataclasses.replace(report, measured=measured)
    files = list(factory.written_files())
    for place, day in enumerate(days):
        header = dataclasses.replace(files[place].after.header, bext=Bext(origination_date=day))
        after = dataclasses.replace(files[place].after, header=header)
        files[place] = dataclasses.replace(files[place], after=after)
    return render_readme(
        report,
        files,
        ["documents/Lyrics.pdf"],
        package_name="Lanternfish_D02",
        check_commands=factory.COMMANDS,
    )


def flat(told: str) -> str:
    return " ".join(told.split())


def test_every_role_and_container_has_words() -> None:
    assert set(GLOSSARY) == set(ROLES)
    assert set(FORMATS) == set(get_args(Container))


def test_it_tells_what_who_when_and_whose() -> None:
    sheet = SessionSheet(
        artist="Lanternfish",
        title="Tide Tables",
        engineer="R. Kestrel",
        contact="the boat house",
        date="2031-05-02",
        rights="Lanternfish, all of them",
    )
    told = flat(text(sheet))
    for words in ("Lanternfish", "Tide Tables", "R. Kestrel, the boat house", "2031-05-02"):
        assert words in told
    assert "Rights Lanternfish, all of them" in told
    assert "Documents 1 file" in told
    assert "Sound 2 files: WAV, 48 kHz, 24-bit Documents" in told  # one format: counted once
    assert "bag-info.txt the day on which it was packed" in told
    assert "a program named stemprep" in told


def test_a_day_that_only_the_files_know_is_told_as_theirs() -> None:
    sheet = SessionSheet(artist="Lanternfish")
    assert "Session day not given" in flat(text(sheet))
    told = flat(text(sheet, ["2031-05-02", "2031-05-04"]))
    assert "Session 2031-05-02 to 2031-05-04, as 2 files say; nobody gave the day" in told
    told = flat(text(sheet, ["2031-05-02"]))
    assert "Session 2031-05-02, as 1 file says; nobody gave the day" in told


def test_rights_that_nobody_states_are_not_made_up() -> None:
    assert "not stated; ask before any use" in flat(text(SessionSheet(artist="Lanternfish")))


def test_words_are_explained_for_the_roles_that_are_here_and_no_others() -> None:
    told = text()
    assert "- mix: " in told
    assert "- stem: " in told
    assert "- talkback: " not in told
    for unit in ("dBFS", "dBTP", "LUFS", "time reference"):
        assert f"- {unit}: " in told


def test_damaged_files_are_told_before_anything_else() -> None:
    whole, other = factory.written_files()
    damaged = dataclasses.replace(other, plan=dataclasses.replace(other.plan, is_damaged=True))
    told = render_readme(
        factory.delivered(), (whole, damaged), (), package_name="P", check_commands=()
    )
    assert told.index("data/stems/Voice.wav") < told.index("What, who, when")
    assert "Damaged" not in text()


def test_what_was_left_out_and_what_was_made_is_listed() -> None:
    report = factory.delivered()
    assert report.plan is not None
    made = Companion(kind="names-table", path="names-table.csv", song="", words="The old names.")
    plan = dataclasses.replace(
        report.plan, companions=(made,), left_out=(LeftOut(path=".DS_Store", reason="litter"),)
    )
    told = render_readme(
        dataclasses.replace(report, plan=plan),
        factory.written_files(),
        (),
        package_name="P",
        check_commands=(),
    )
    assert ".DS_Store: litter" in told
    assert "data/names-table.csv" in told


def test_it_fits_and_holds_no_place_or_clock() -> None:
    told = text()
    commands = {command for _, command in factory.COMMANDS}
    assert all(columns(line) <= 80 or line.strip() in commands for line in told.splitlines())
    assert not re.search(r"\d\d:\d\d:\d\d", told)
    assert "private" not in told
