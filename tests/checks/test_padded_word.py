from __future__ import annotations

import pytest

from stemprep.checks.bit_depth import BitDepthRule
from stemprep.checks.padded_word import PaddedWordRule
from tests.checks.factory import found_in, judged, measured_file, sound
from tests.shipped import shipped_rule


def test_sixteen_bits_in_words_of_twenty_four() -> None:
    file = measured_file(heard=sound(effective_bit_depth=16))
    (finding,) = found_in(file, "padded-word", shipped_rule(PaddedWordRule))
    assert (finding.found, finding.required) == (16, 24)
    assert "the lowest 8 bits are 0" in finding.message


@pytest.mark.parametrize(("used", "unused", "is_found"), [
    (24, 1, False), (23, 1, True), (23, 2, False), (22, 2, True),
    (0, 1, False),      # digital silence uses no bit at all
    (None, 1, False),
])  # fmt: skip
def test_both_sides_of_the_limit(used: int | None, unused: int, is_found: bool) -> None:
    file = measured_file(heard=sound(effective_bit_depth=used))
    rule = shipped_rule(PaddedWordRule, min_unused_bits=unused)
    assert bool(found_in(file, "padded-word", rule)) is is_found


@pytest.mark.parametrize(
    ("used", "severity"), [(25, None), (24, "note"), (23, "warn"), (16, "warn"), (None, None)]
)
def test_a_float_word_counts_as_twenty_four_bits(used: int | None, severity: str | None) -> None:
    """IEEE 754 binary32 has 24 significant bits; 24-bit values in it are no loss, and a note."""
    file = measured_file(heard=sound(effective_bit_depth=used), bit_depth=32, encoding="float")
    found = found_in(file, "padded-word", shipped_rule(PaddedWordRule, severity="warn"))
    assert [finding.severity for finding in found] == ([] if severity is None else [severity])


def test_twenty_valid_bits_in_a_longer_word() -> None:
    file = measured_file(heard=sound(effective_bit_depth=20), bit_depth=20, container_bits=24)
    assert found_in(file, "padded-word", shipped_rule(PaddedWordRule))


def test_a_word_too_short_is_not_called_padded_as_well() -> None:
    file = measured_file(heard=sound(effective_bit_depth=20), bit_depth=20, container_bits=24)
    judgement = judged(file, bit_depth=shipped_rule(BitDepthRule, minimum_bits=24))
    assert [finding.check for finding in judgement.findings] == ["bit-depth"]
