"""How often the null test names the right file, kind and figures, on sets with known faults.

Run: ``python -m tests.bench.bench_null_test --half held-out``. Sets of even seeds were looked at
while the search was written; those of odd seeds from 24,001 on are held out. Field sessions take
part where they lie beside the project. Every set that is not told as it should be is printed.
"""

from __future__ import annotations

import argparse
import os
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import combinations_with_replacement

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from stemprep.model.null_test import NullCause
from stemprep.null_test import Outcome, null_test
from stemprep.units import db_from_ratio
from tests.null_test.material import (
    FAULTS,
    NEAR_FLOOR,
    NOBODY,
    SHORTENINGS,
    Case,
    Planted,
    case,
)

PAIRS = tuple(map("+".join, combinations_with_replacement(FAULTS, 2)))
WITH_MISSING = ("missing", *(f"missing+{kind}" for kind in FAULTS))
SHORTENED = tuple(f"{kind}:{way}" for way in SHORTENINGS[1:] for kind in FAULTS)
RUNS = {"single": 13, "words": 2, "near-floor": 4, "two": 2, "missing": 4, "nobody": 22}
TABLE_EVERY = 50
SECONDS = 3.5
FAULTY = ("single", "words", "near-floor", "two")
FIRST_HELD_OUT = 24_001
MAX_GAIN_ERROR_DB, MAX_LAG_ERROR, MAX_EDGE_ERROR = 0.005, 0.05, 64


@dataclass(frozen=True)
class Score:
    """One set: was it told as it should be, with which errors."""

    group: str
    what: str
    seed: int
    is_right: bool
    told: str
    gain_error_db: float = 0.0
    lag_error: float = 0.0
    edge_error: int = 0
    has_alternatives: bool = False
    seconds: float = 0.0


def run(job: tuple[str, str, int]) -> Score:
    """Make one set, test it, and hold what was told against what was planted."""
    group, what, seed = job
    made = case(seed, what, seconds=SECONDS)
    parts = made.parts
    begin = time.process_time()
    outcome = null_test(parts)
    seconds = time.process_time() - begin
    told = "; ".join(_words(cause) for cause in outcome.causes) or outcome.verdict
    is_right, gain, lag, edge = judged(group, made, outcome)
    return Score(
        group, what, seed, is_right, f"{_planted_words(made)} -> {told}", gain, lag, edge,
        any(cause.alternatives for cause in outcome.causes), seconds,
    )  # fmt: skip


def judged(group: str, made: Case, outcome: Outcome) -> tuple[bool, float, float, int]:
    """Right or not, and the largest errors of gain, lag and edges.

    Of equal alternatives the planted one has to be among those told.
    """
    named = {cause.file for cause in outcome.causes if cause.file is not None}
    if group == "nobody":
        nulls = made.what in ("clean", "bus-gain")
        return not named and (outcome.verdict != "not") == nulls, 0.0, 0.0, 0
    faulty = {f"stem{each.stem}" for each in made.planted}
    if group == "missing":
        clear = [cause for cause in outcome.causes if not _may_be_missing(cause)]
        return {cause.file for cause in clear} <= {None, *faulty}, 0.0, 0.0, 0
    if len(named) != len(faulty):
        return False, 0.0, 0.0, 0
    errors = [
        _errors(each, _of(outcome.causes, each.stem), _silences(made, each))
        for each in made.planted
    ]
    if any(error is None for error in errors):
        return False, 0.0, 0.0, 0
    gain, lag, edge = (max(values) for values in zip(*filter(None, errors), strict=True))
    is_near = gain <= MAX_GAIN_ERROR_DB and lag <= MAX_LAG_ERROR and edge <= MAX_EDGE_ERROR
    return is_near, gain, lag, int(edge)


def _may_be_missing(cause: NullCause) -> bool:
    """A missing stem is told as an equal alternative."""
    return any(other.kind == "missing-stem" for other in cause.alternatives)


def _of(causes: Sequence[NullCause], stem: int) -> list[NullCause]:
    every = [*causes, *(other for cause in causes for other in cause.alternatives)]
    return [cause for cause in every if cause.file == f"stem{stem}"]


def _silences(made: Case, planted: Planted) -> list[tuple[int, int]]:
    """Where another stem lacks sound: of an edge in there nothing can be computed."""
    others = [each for each in made.planted if each is not planted and each.kind == "cut-short"]
    return [each.span for each in others if each.span is not None]


def _errors(
    planted: Planted, causes: Sequence[NullCause], silences: Sequence[tuple[int, int]]
) -> tuple[float, float, int] | None:
    """Errors of gain (dB), lag and edges (samples); None where the kind is another."""
    mine = next((cause for cause in causes if cause.kind == planted.kind), None)
    if mine is None or (planted.is_swapped and not mine.is_swapped):
        return None
    gain = lag = 0.0
    if planted.gain_db is not None:
        gain = abs((mine.gain_db or 0.0) - planted.gain_db)
    if planted.channel_gains:
        gain = _channel_error(planted, mine)
    if planted.lag is not None:
        lag = abs((mine.lag_samples or 0.0) - planted.lag)
        lag = 1.0 if planted.lag == round(planted.lag) and lag else lag
    edge = 0
    if planted.span is None and mine.start_sample is not None:
        return None
    if planted.span is not None:
        if mine.start_sample is None or mine.end_sample is None:
            return None if any(planted.edges_heard) else (gain, lag, 0)
        told = mine.start_sample, mine.end_sample
        for is_heard, own, wanted in zip(planted.edges_heard, told, planted.span, strict=True):
            is_seen = not any(low <= wanted <= high for low, high in silences)
            edge = max(edge, abs(own - wanted) if is_heard and is_seen else 0)
    return gain, lag, edge


def _channel_error(planted: Planted, cause: NullCause) -> float:
    """Largest error of a channel's gain, dB."""
    told = cause.channel_gains_db
    if len(told) != len(planted.channel_gains):
        return float("inf")
    wanted = [db_from_ratio(gain) for gain in planted.channel_gains]
    return max(
        float("inf") if own is None else abs(own - gain)
        for own, gain in zip(told, wanted, strict=True)
    )


def _words(cause: NullCause) -> str:
    figures = [f"{value:.4f}" for value in (cause.gain_db, cause.lag_samples) if value is not None]
    span = [] if cause.start_sample is None else [f"[{cause.start_sample}, {cause.end_sample})"]
    others = [f"or {_words(other)}" for other in cause.alternatives]
    return " ".join([cause.kind, cause.file or "-", *figures, *span, *others])


def _planted_words(made: Case) -> str:
    planted = [
        f"{each.kind} stem{each.stem} {each.gain_db or 0:.4f} {each.lag or 0:g} "
        f"{each.span or ''} {each.edges_heard if each.span else ''}".strip()
        for each in made.planted
    ]
    size = f"{len(made.delivered)} stems {made.rate_hz} Hz {made.bits} bit"
    return f"{size}: {'; '.join(planted) or made.what}"


def jobs(half: str, share: float, first_seed: int | None = None) -> Iterator[tuple[str, str, int]]:
    """The sets of one half of the seeds; ``first_seed``: from another one on."""
    first = FIRST_HELD_OUT if half == "held-out" else 0
    first = first if first_seed is None else first_seed
    plan = (
        ("single", FAULTS),
        ("words", SHORTENED),
        ("near-floor", NEAR_FLOOR),
        ("two", PAIRS),
        ("missing", WITH_MISSING),
        ("nobody", NOBODY),
    )
    for group, kinds in plan:
        for kind in kinds:
            for number in range(max(1, round(RUNS[group] * share))):
                yield group, kind, 2 * number + first


def table(scores: Sequence[Score]) -> str:
    """Right of all, by kind and group, with the largest errors of those that are right."""
    by_kind: dict[tuple[str, str], list[Score]] = defaultdict(list)
    for score in scores:
        by_kind[score.group, score.what].append(score)
    lines = [f"{'sets':24} {'right':>9} {'gain dB':>9} {'lag':>7} {'edge':>5} {'CPU s':>6}"]
    for (group, what), mine in by_kind.items():
        good = [score for score in mine if score.is_right]
        lines.append(
            f"{group + ' ' + what:24} {len(good):>4}/{len(mine):<4} "
            f"{max((s.gain_error_db for s in good), default=0):9.5f} "
            f"{max((s.lag_error for s in good), default=0):7.4f} "
            f"{max((s.edge_error for s in good), default=0):5d} "
            f"{sum(s.seconds for s in mine) / len(mine):6.1f}"
        )
    right: Counter[str] = Counter()
    total: Counter[str] = Counter()
    for score in scores:
        total[score.group] += 1
        right[score.group] += score.is_right
    lines += [f"{group}: {right[group]} of {total[group]}" for group in total]
    shared = sum(score.has_alternatives for score in scores if score.group in FAULTY)
    lines.append(f"{len(scores)} sets; {shared} single or double faults with equal alternatives")
    return "\n".join(lines)


def main() -> None:
    """Run the sets of one half and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--half", choices=("development", "held-out"), default="development")
    parser.add_argument("--share", type=float, default=1.0, help="of the runs of each kind")
    parser.add_argument("--first-seed", type=int, help="instead of the first one of the half")
    parser.add_argument("--groups", default="", help="groups, separated by commas")
    parser.add_argument("--only", default="", help="kinds, separated by commas")
    parser.add_argument("--workers", type=int, default=2)
    arguments = parser.parse_args()
    only = set(filter(None, arguments.only.split(",")))
    groups = set(filter(None, arguments.groups.split(",")))
    wanted = sorted(
        (
            job
            for job in jobs(arguments.half, arguments.share, arguments.first_seed)
            if (not only or job[1] in only) and (not groups or job[0] in groups)
        ),
        key=lambda job: job[2],
    )
    scores = []
    with ProcessPoolExecutor(arguments.workers) as pool:
        for score in pool.map(run, wanted):
            scores.append(score)
            if not score.is_right:
                print(
                    f"NOT RIGHT {score.group} {score.what} {score.seed}: {score.told}", flush=True
                )
            if len(scores) % TABLE_EVERY == 0:
                print(table(scores), flush=True)
    print(table(scores), flush=True)


if __name__ == "__main__":
    main()
