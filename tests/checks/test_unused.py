"""What the sheet calls unused or alternate, and what is then said of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest

from stemprep.checks import judge
from stemprep.checks.clipping import ClippingRule
from stemprep.checks.judging import Judgement
from stemprep.checks.length import LengthRule
from stemprep.model.rule import Rule
from stemprep.model.sheet import TrackNote, Use
from tests.checks.factory import (
    RATE_HZ,
    findings_of,
    judged,
    measured_file,
    runs,
    session,
    sound,
    spec,
)
from tests.shipped import shipped_rule

Layout = Literal["roles", "as-dropped"]


def marked(use: Use) -> TrackNote:
    return TrackNote(pattern="*", use=use)


def clipped(use: Use, layout: Layout) -> Judgement:
    heard = sound(full_scale=runs((1, 0, 40)))
    rules = spec({"clipping": shipped_rule(ClippingRule, severity="fail")})
    laid_out = replace(rules, contents=replace(rules.contents, layout=layout))
    return judge(session(measured_file("a.wav", heard, note=marked(use))), laid_out)


@pytest.mark.parametrize("layout", ["roles", "as-dropped"])
@pytest.mark.parametrize(
    ("use", "severity"), [("main", "fail"), ("alternate", "fail"), ("unused", "note")]
)
def test_a_fault_in_an_unused_take_is_a_note(layout: Layout, use: Use, severity: str) -> None:
    (finding,) = findings_of(clipped(use, layout), "clipping")
    assert finding.severity == severity


def test_a_damaged_unused_file_weighs_where_it_travels() -> None:
    file = measured_file("a.wav", is_readable=False, note=marked("unused"))
    rules = spec({"unreadable": Rule(severity="fail")})
    as_dropped = replace(rules, contents=replace(rules.contents, layout="as-dropped"))
    assert judge(session(file), rules).verdict == "pass"
    assert judge(session(file), as_dropped).verdict == "fail"


@pytest.mark.parametrize("use", ["alternate", "unused"])
def test_only_main_files_set_the_measure(use: Use) -> None:
    """Two long alternates beside one main take: the main one is as long as the song is."""
    long = [
        measured_file(f"{name}.wav", sound(frames=20 * RATE_HZ), note=marked(use), bit_depth=16)
        for name in "bc"
    ]
    judgement = judged(
        measured_file("a.wav"), *long, length=shipped_rule(LengthRule, severity="warn")
    )
    blamed = {path for finding in judgement.findings for path in finding.files}
    assert "a.wav" not in blamed
    lengths = findings_of(judgement, "length")
    assert [finding.files for finding in lengths] == (
        [("b.wav", "c.wav")] if use == "alternate" else []
    )
    assert judgement.set_facts.songs[0].bit_depth == 24


def test_a_main_file_is_no_copy_of_an_unused_one() -> None:
    files = (
        measured_file("a.wav", sound(identity="x"), note=marked("unused")),
        measured_file("b.wav", sound(identity="x")),
    )
    (finding,) = findings_of(judged(*files), "duplicate-audio")
    assert (finding.files, finding.severity) == (("a.wav",), "note")
