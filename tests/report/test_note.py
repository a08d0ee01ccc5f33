"""Plan, delivery note and verification as text."""

from __future__ import annotations

import dataclasses
import json
import re
import unicodedata
from pathlib import Path

import pytest

from stemprep.model.package import Verification
from stemprep.model.plan import Operation
from stemprep.model.sheet import TrackNote
from stemprep.model.words import OPERATION_NAMES, OperationName
from stemprep.report import (
    delivery_note,
    render_plan,
    render_verification,
    render_verification_json,
)
from stemprep.report.layout import columns
from stemprep.report.note import note_words
from stemprep.report.operations import OPERATION_WORDS
from tests.report import factory

GOLDEN = Path(__file__).parents[2] / "fixtures" / "report"


def note(width: int = 80) -> str:
    return delivery_note(
        factory.delivered(),
        factory.written_files(),
        package_name="Lanternfish_D02",
        check_commands=factory.COMMANDS,
        delivery=2,
        predecessor=factory.PREDECESSOR,
        width=width,
    )


def test_note_is_the_golden_one() -> None:
    assert note() == (GOLDEN / "note.txt").read_text(encoding="utf-8")


def test_note_tells_what_the_sheet_says_of_a_track() -> None:
    told = note_words(TrackNote(pattern="a", microphone="ribbon", use="alternate", notes="felt"))
    assert told == "microphone: ribbon; use: alternate; note: felt"
    assert note_words(TrackNote(pattern="a")) == ""


def test_note_holds_no_place_or_time() -> None:
    text = note()
    assert "Lanternfish to" not in text
    assert ".incoming" not in text
    assert not re.search(r"(^|\s)/", text)
    told = text.replace("01:00:00.000 (sample 172,800,000", "")  # where the files begin
    assert not re.search(r"\d\d:\d\d:\d\d|\d{4}-\d\d-\d\d", told)


def test_note_cautions_and_defers_to_local_rules() -> None:
    told = " ".join(note().split())
    assert "turn the level down, above all on headphones" in told
    assert "Local rules for hearing protection go before this advice." in told


def test_note_tells_both_meters_and_the_filter() -> None:
    text = " ".join(note().split())
    assert "loudness -18.7 LUFS (second meter, pyloudnorm, De Man filters: -15.7 LUFS)" in text
    assert "true peak -2.9 dBTP (long filter)" in text


def test_levels_stand_at_mixes_only() -> None:
    stem = note().split("\n  stems/Voice.wav\n", 1)[1].split("What was done", 1)[0]
    assert "LUFS" not in stem


def test_note_without_a_sheet_says_not_named() -> None:
    text = delivery_note(factory.small(), (), package_name="P", check_commands=factory.COMMANDS[:1])
    assert "Artist    not named" in text
    assert "Title     not named" in text


def test_commands_are_never_broken() -> None:
    lines = [line.strip() for line in note(width=40).splitlines()]
    for _, command in factory.COMMANDS:
        assert command in lines


def test_note_fits_but_for_its_commands() -> None:
    commands = {command for _, command in factory.COMMANDS}
    for line in note(width=60).splitlines():
        assert columns(line) <= 60 or line.strip() in commands


@pytest.mark.parametrize(
    ("step", "words"),
    [
        # 77,217 samples at 48 kHz: 1.6086875 s (worked by hand), so 14.583 s becomes 16.192 s.
        ("pad", "the longest at 0:14.583 (0:14.583 as dropped, 0:16.192 in this package)"),
        ("trim", "the longest at 0:14.583 (0:14.583 as dropped, 0:12.975 in this package)"),
        ("copy", "the longest at 0:14.583\n"),
    ],
)
def test_a_time_is_told_as_it_is_in_the_package(step: OperationName, words: str) -> None:
    plan = factory.a_plan()
    head = {} if step == "copy" else {"head_samples": 77_217}
    padded = dataclasses.replace(
        plan.outputs[0], operations=(Operation(name=step, parameters=head, reason="bar 1"),)
    )
    report = dataclasses.replace(
        factory.delivered(),
        findings=(factory.clipping("Mix.wav", 1, 9, message="the longest at 0:14.583"),),
        plan=dataclasses.replace(plan, outputs=(padded, *plan.outputs[1:])),
    )
    told = delivery_note(
        report, factory.written_files(), package_name="P", check_commands=(), width=400
    )
    assert words in told


def test_damaged_files_stand_first() -> None:
    """An archive keeps a damaged take; whoever opens it has to see that at once."""
    whole, other = factory.written_files()
    damaged = dataclasses.replace(other, plan=dataclasses.replace(other.plan, is_damaged=True))
    text = delivery_note(factory.delivered(), (whole, damaged), package_name="P", check_commands=())
    files = text.split("\nFiles\n", 1)[1]
    assert files.index("stems/Voice.wav") < files.index("mixes/Mix.wav")
    assert "damaged, kept as it is" in files
    plan = dataclasses.replace(factory.a_plan(), outputs=(whole.plan, damaged.plan))
    told = render_plan(plan)
    assert told.index("\n  stems/Voice.wav") < told.index("\n  mixes/Mix.wav")


def test_plan_is_the_golden_one() -> None:
    blockers = factory.three_songs().findings[:2]
    expected = (GOLDEN / "plan.txt").read_text(encoding="utf-8")
    assert render_plan(factory.a_plan(), blockers=blockers) == expected


def test_every_operation_has_words() -> None:
    assert set(OPERATION_WORDS) == set(OPERATION_NAMES)
    # The note reads '7 files ...': each has to go on from there.
    assert all(
        re.match(r"(\w+ed|given|put|split|made)\b", each) for each in OPERATION_WORDS.values()
    )


@pytest.mark.parametrize("width", [40, 80])
def test_plan_and_verification_fit(width: int) -> None:
    text = render_plan(factory.a_plan(), width=width)
    text += render_verification(factory.verifications(), width)
    assert max(columns(line) for line in text.splitlines()) <= max(width, 76)


def test_a_seal_beside_damage_says_what_it_stands_for() -> None:
    whole, damaged, _ = factory.verifications()
    assert "stands for the lists" in render_verification([damaged])
    assert "stands for the lists" not in render_verification([whole])


def test_verification_tells_each_damage() -> None:
    text = render_verification(factory.verifications())
    assert text.startswith("Verdict   1 whole, 1 damaged, 1 incomplete of 3 packages\n")
    assert "data/stems/<b>\\u202EDrums.wav: 3 samples differ" in text
    assert "data/Mix.wav: Listed and not there." in text
    assert "does not prove who packed it" in text
    assert not {unicodedata.category(c) for c in text.replace("\n", "")} & {"Cc", "Cf"}


@pytest.mark.parametrize(("index", "state"), [(0, "whole"), (1, "damaged"), (2, "incomplete")])
def test_one_package_is_told_in_one_word(index: int, state: str) -> None:
    one: Verification = factory.verifications()[index]
    assert render_verification([one]).splitlines()[0] == f"Verdict   {state}"
    value = json.loads(render_verification_json([one]))
    assert value["packages"][0]["state"] == state
    assert value["is_proved"] is (state == "whole")


def test_incomplete_is_not_called_whole() -> None:
    arriving = dataclasses.replace(
        factory.verifications()[0], is_complete=False, tag_manifest_sha256=None
    )
    assert render_verification([arriving]).startswith("Verdict   incomplete")
