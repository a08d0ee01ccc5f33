from __future__ import annotations

from pathlib import Path

import pytest

from stemprep.checks import CHECKS, manual
from stemprep.errors import UsageError
from tests.shipped import base_spec

FOLDER = Path(__file__).parent


def test_exactly_the_ids_that_have_rules_are_registered() -> None:
    assert set(base_spec().rules) == set(CHECKS)


@pytest.mark.parametrize("check", sorted(CHECKS))
def test_every_check_has_a_manual_and_a_test_module(check: str) -> None:
    text = manual(check)
    for heading in ("Measured:", "Limit:", "Passes:", "Fails:", "To do:"):
        assert f"\n{heading} " in text, heading
    assert (FOLDER / f"test_{check.replace('-', '_')}.py").is_file()


@pytest.mark.parametrize("check", sorted(CHECKS))
def test_every_limit_names_its_source(check: str) -> None:
    limit = manual(check).split("\nLimit: ")[1].split("\nPasses: ")[0]
    sources = ("common practice", "RFC", "EBU", "ITU", "IEEE", "ISO", "none", "the spec's")
    assert any(source in " ".join(limit.lower().split()) for source in map(str.lower, sources))


def test_an_unknown_id_names_the_nearest() -> None:
    with pytest.raises(UsageError, match="'clipping'"):
        manual("cliping")


def test_anything_at_all_names_something() -> None:
    with pytest.raises(UsageError, match="did you mean"):
        manual("")
