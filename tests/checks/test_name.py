from __future__ import annotations

import pytest

from stemprep.checks.name import NameRule
from tests.checks.factory import found_in, measured_file
from tests.shipped import shipped_rule


@pytest.mark.parametrize("path", ["AUX.wav", "Vox: dbl?.wav", "Bass .wav", "-rf.wav", "a/b./c.wav"])
def test_names_that_do_not_hold_everywhere(path: str) -> None:
    """RFC 8493, section on interoperability."""
    (finding,) = found_in(measured_file(path), "name", shipped_rule(NameRule))
    assert finding.repair == "rename"


@pytest.mark.parametrize("path", ["AUX 1.wav", "Console.wav", "100% wet & loud (v2).wav"])
def test_near_misses_pass(path: str) -> None:
    assert not found_in(measured_file(path), "name", shipped_rule(NameRule))


def test_several_problems_are_one_finding() -> None:
    (finding,) = found_in(measured_file("AUX /b?.wav"), "name", shipped_rule(NameRule))
    assert "; " in finding.message


@pytest.mark.parametrize(("length", "is_found"), [(40, False), (41, True)])
def test_the_longest_path(length: int, is_found: bool) -> None:
    path = "x" * (length - 4) + ".wav"
    rule = shipped_rule(NameRule, max_path_characters=40)
    assert bool(found_in(measured_file(path), "name", rule)) is is_found


def test_names_may_stay_as_they_are_where_the_spec_says_so() -> None:
    assert not found_in(measured_file("AUX.wav"), "name", shipped_rule(NameRule, is_portable=False))
