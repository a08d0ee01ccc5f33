from __future__ import annotations

import pytest

from stemprep.model.plan import Operation, Parameter
from stemprep.report.operations import operation_words


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({}, "copy: copied byte for byte"),
        (
            {"added_head_samples": 96_000, "added_tail_samples": 480},
            "copy: copied byte for byte: 96,000 samples (2.000 s) in front and 480 samples "
            "(0.010 s) at the end are silence that was added before",
        ),
    ],
)
def test_a_copy_tells_of_the_silence_that_an_earlier_package_added(
    given: dict[str, Parameter], told: str
) -> None:
    assert operation_words(Operation(name="copy", parameters=given, reason=""), 48_000) == told
