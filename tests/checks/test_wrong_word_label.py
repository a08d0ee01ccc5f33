from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest

from stemprep.model.facts import WordFacts
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Encoding
from tests.checks.factory import found_in, measured_file, sound


def labelled(encoding: Encoding, truth: Literal["integer", "float"] | None) -> MeasuredFile:
    word = WordFacts(effective_bit_depth=None, reads_as=truth)
    return measured_file(heard=replace(sound(), word=word), bit_depth=32, encoding=encoding)


@pytest.mark.parametrize(
    ("encoding", "truth", "is_found"),
    [
        ("float", "integer", True),
        ("integer", "float", True),
        ("float", None, False),
        ("integer", None, False),
        ("float", "float", False),
    ],
)
def test_only_a_label_of_the_other_kind(
    encoding: Encoding, truth: Literal["integer", "float"] | None, is_found: bool
) -> None:
    found = found_in(labelled(encoding, truth), "wrong-word-label", Rule(severity="warn"))
    assert bool(found) is is_found


def test_message_tells_the_evidence() -> None:
    (finding,) = found_in(labelled("integer", "float"), "wrong-word-label", Rule(severity="warn"))
    assert finding.message.startswith("the header says integers, the samples are floating point")
    assert "close to half of full scale" in finding.message
    assert (finding.severity, finding.found, finding.required) == ("warn", "float", "integer")
