from __future__ import annotations

import pytest

from stemprep.checks import judge
from stemprep.model.rule import Rule
from stemprep.model.session import Hazard
from tests.checks.factory import entry, findings_of, measured_file, session, spec


@pytest.mark.parametrize(("hazard", "severity"), [
    ("outside", "fail"), ("escape", "fail"), ("broken-archive", "fail"), ("damaged", "fail"),
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


def test_plain_files_pass() -> None:
    assert not findings_of(judge(session(measured_file()), spec()), "unsafe-entry")
