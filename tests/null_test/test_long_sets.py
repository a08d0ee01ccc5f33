"""Sets longer than the excerpts: the search sees a part, and its answer has to hold for the whole.

The excerpts are kept small, so that sets of a few seconds are long ones.
"""

from __future__ import annotations

import pytest

from stemprep.null_test import excerpts, null_test
from tests.bench.bench_null_test import judged
from tests.null_test.material import case

SECONDS = 4.0
ONE = ("level", "moved", "subsample", "inverted", "section", "cut-short", "not-in-mix", "balance")
TWO = ("level+inverted", "subsample+level", "moved+balance", "level+cut-short")


@pytest.fixture(autouse=True)
def _small_excerpts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(excerpts, "_BUDGET_BYTES", 4_000_000)


@pytest.mark.parametrize("what", ONE)
@pytest.mark.parametrize("seed", [1_000, 1_006])
def test_a_fault_in_a_long_set_is_named(what: str, seed: int) -> None:
    made = case(seed, what, seconds=SECONDS, most=5)
    outcome = null_test(made.parts)
    assert judged("single", made, outcome)[0], (made.planted, outcome.causes)


@pytest.mark.parametrize("what", TWO)
def test_two_faults_in_a_long_set_are_named(what: str) -> None:
    made = case(1_002, what, seconds=SECONDS, most=5)
    outcome = null_test(made.parts)
    assert judged("two", made, outcome)[0], (made.planted, outcome.causes)


def test_a_missing_stem_in_a_long_set_blames_nobody() -> None:
    made = case(1_004, "missing", seconds=SECONDS, most=5)
    outcome = null_test(made.parts)
    assert [cause.file for cause in outcome.causes] == [None]


@pytest.mark.parametrize("what", ["level+inverted", "subsample"])
def test_a_search_ends_unexplained_when_its_work_is_used_up(
    what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = case(1_002, what, seconds=2.5, most=5)
    assert len(null_test(made.parts).causes) == what.count("+") + 1
    for limit in ("_LEAST_WORK", "_SHORT_WORK"):
        monkeypatch.setattr(excerpts, limit, 0)
    monkeypatch.setattr(excerpts, "_PASSES", 2)
    outcome = null_test(made.parts)
    assert outcome.verdict == "not"
    assert [(cause.kind, cause.file) for cause in outcome.causes] == [("not-explained", None)]
