"""The one table of a job's states: all of it can happen, and nothing else does."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

from stemprep.service.jobs import (
    OPEN,
    STATES,
    TRANSITIONS,
    Job,
    State,
    Way,
    transition_table,
)
from stemprep.service.store import Store

SERVICE = Path(__file__).parents[2] / "stemprep" / "service"
GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"
JOB = Job(
    job=0, inbox=Path("/in"), name="Lantern", raw_name=b"Lantern", spec="mastering",
    state="waiting",
)  # fmt: skip


def test_every_step_is_named_once_and_every_state_is_reached() -> None:
    assert tuple(TRANSITIONS) == get_args(Way)
    reached: set[State] = set()
    while (
        more := {
            step.after
            for step in TRANSITIONS.values()
            if not step.before or reached.intersection(step.before)
        }
        - reached
    ):
        reached |= more
    assert reached == set(STATES)


def test_only_what_the_service_still_works_on_goes_on_without_a_person() -> None:
    """What is set aside ends on its own only where its drop is replaced by a newer one."""
    going_on = {
        state
        for way, step in TRANSITIONS.items()
        if step.by != "person" and way != "replace"
        for state in step.before
    }
    assert going_on == OPEN


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("way", [way for way, step in TRANSITIONS.items() if step.before])
def test_a_step_is_made_from_its_states_alone(tmp_path: Path, way: Way, state: State) -> None:
    step = TRANSITIONS[way]
    with Store(tmp_path) as store:
        number = store.add(replace(JOB, state=state)).job
        assert store._move(number, way, 5.0) == (state in step.before)
        (job,) = store.jobs()
        assert job.state == (step.after if state in step.before else state)
        told = [kind for _, kind in store.notices_due()]
        assert told == ([step.notice] if step.notice and state in step.before else [])


def test_the_store_alone_writes_states() -> None:
    writers = {
        path.name
        for path in SERVICE.rglob("*.py")
        if re.search(r"UPDATE jobs SET (state|\{settings)", path.read_text(encoding="utf-8"))
    }
    assert writers == {"store.py"}


def test_claim_and_take_back_follow_the_table(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        for state in STATES:
            store.add(replace(JOB, raw_name=state.encode(), state=state))
        moved = {}
        while (job := store.claim(0.0, 60.0)) is not None:
            moved[job.raw_name.decode()] = job.state
        step = TRANSITIONS["claim"]
        assert moved == {**dict.fromkeys(step.before, step.after), "published": "published"}
        before = {job.job: job.state for job in store.jobs()}
        store.take_back((), 1.0, lambda _: 0.0)
        after = {job.job: job.state for job in store.jobs()}
        changed = {before[job]: after[job] for job in before if before[job] != after[job]}
        step = TRANSITIONS["take_back"]
        assert changed == dict.fromkeys(step.before, step.after)


def test_the_contributors_guide_shows_the_table() -> None:
    assert transition_table() in GUIDE.read_text(encoding="utf-8")
