from __future__ import annotations

import pytest

from stemprep.checks import judge
from stemprep.model.rule import Rule
from stemprep.model.session import Hazard
from tests.checks.factory import entry, findings_of, measured_file, session, spec


@pytest.mark.parametrize(("hazard", "severity"), [
    ("outside", "fail"), ("escape", "fail"), ("overlapping", "fail"),
    ("encrypted", "fail"), ("too-large", "fail"),
    ("inside-link", "warn"), ("dangling", "warn"), ("loop", "warn"), ("special", "warn"),
])  # fmt: skip
def test_how_bad_it_is(hazard: Hazard, severity: str) -> None:
    others = [entry("x.wav", "unsafe", hazard=hazard, reason="link out of the drop")]
    rules = spec({"unsafe-entry": Rule(severity="fail")})
    judgement = judge(session(measured_file(), others=others), rules)
    (finding,) = findings_of(judgement, "unsafe-entry")
    assert (finding.file, finding.severity) == ("x.wav", severity)
    assert "link out of the drop" in finding.message


@pytest.mark.parametrize("hazard", ["broken-archive", "damaged"])
def test_damage_is_told_as_unreadable_and_weighs_as_what_is_left_out(hazard: Hazard) -> None:
    """An archive takes unreadable files mildly because it keeps them; of these nothing is kept."""
    others = [entry("x.zip", "unsafe", hazard=hazard, reason="it was cut short on its way")]
    rules = spec({"unsafe-entry": Rule(severity="fail"), "unreadable": Rule(severity="warn")})
    judgement = judge(session(measured_file(), others=others), rules)
    (finding,) = findings_of(judgement, "unreadable")
    assert (finding.file, finding.severity) == ("x.zip", "fail")
    assert "cut short" in finding.message
    assert not findings_of(judgement, "unsafe-entry")


def test_plain_files_pass() -> None:
    assert not findings_of(judge(session(measured_file()), spec()), "unsafe-entry")
