from __future__ import annotations

import pytest

from stemprep.checks.bit_depth import BitDepthRule
from tests.checks.factory import found_in, measured_file
from tests.shipped import shipped_rule


@pytest.mark.parametrize(("bits", "is_found"), [(16, True), (20, True), (24, False), (32, False)])
def test_the_shortest_word_accepted(bits: int, is_found: bool) -> None:
    findings = found_in(
        measured_file(bit_depth=bits), "bit-depth", shipped_rule(BitDepthRule, minimum_bits=24)
    )
    assert bool(findings) is is_found
    assert all(finding.found == bits and finding.required == 24 for finding in findings)


def test_an_exact_list_refuses_longer_words_too() -> None:
    rule = shipped_rule(BitDepthRule, accepted_bits=(24,))
    (finding,) = found_in(measured_file(bit_depth=32), "bit-depth", rule)
    assert finding.repair == "convert-word-length"


def test_valid_bits_count_and_not_the_words_they_lie_in() -> None:
    file = measured_file(bit_depth=20, container_bits=24)
    (finding,) = found_in(file, "bit-depth", shipped_rule(BitDepthRule, minimum_bits=24))
    assert (
        finding.message == "the word length is 20 bit in 24-bit words, 24 bit or more is required"
    )


@pytest.mark.parametrize("is_accepted", [True, False])
def test_float_is_a_matter_of_its_own(is_accepted: bool) -> None:
    file = measured_file(bit_depth=32, encoding="float")
    rule = shipped_rule(BitDepthRule, minimum_bits=24, is_float_accepted=is_accepted)
    assert bool(found_in(file, "bit-depth", rule)) is not is_accepted


def test_lossy_sound_has_no_word_length() -> None:
    file = measured_file(bit_depth=16, encoding="lossy")
    assert not found_in(file, "bit-depth", shipped_rule(BitDepthRule, minimum_bits=24))
