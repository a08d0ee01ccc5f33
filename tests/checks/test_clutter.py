from __future__ import annotations

from stemprep.checks import judge
from stemprep.model.rule import Rule
from tests.checks.factory import entry, findings_of, measured_file, session, spec


def test_one_note_lists_all_whatever_the_spec_says() -> None:
    others = [entry(".DS_Store", "clutter"), entry("Thumbs.db", "clutter")]
    rules = spec({"clutter": Rule(severity="fail")})
    (finding,) = judge(session(measured_file(), others=others), rules).findings
    assert (finding.check, finding.severity) == ("clutter", "note")
    assert finding.files == (".DS_Store", "Thumbs.db")


def test_off_is_off() -> None:
    others = [entry(".DS_Store", "clutter")]
    rules = spec({"clutter": Rule(severity="off")})
    assert not judge(session(measured_file(), others=others), rules).findings


def test_documents_are_no_clutter() -> None:
    others = [entry("lyrics.txt", "document")]
    judgement = judge(session(measured_file(), others=others), spec())
    assert not findings_of(judgement, "clutter")
