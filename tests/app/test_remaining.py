"""Which findings stand once the written files are judged."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

from stemprep.app.check.blocking import remaining_findings
from stemprep.app.check.inspection import Inspection
from stemprep.model.finding import Finding
from stemprep.model.plan import Operation, OutputPlan, Plan


def doubled(path: str, against: str) -> Finding:
    return Finding(
        check="duplicate-audio",
        severity="warn",
        message="the same samples",
        advice="Look which track this should have been.",
        file=path,
        files=(path,),
        against=(against,),
    )


def of_what_was_delivered(finding: Finding) -> Finding:
    """Figures on the page are of the drop unless they say otherwise."""
    return replace(finding, message=f"{finding.message} (in the delivered file)")


def inspected(*findings: Finding) -> Inspection:
    parts = {
        "judgement": SimpleNamespace(findings=findings),
        "measured": SimpleNamespace(files=()),
        "spec": SimpleNamespace(contents=SimpleNamespace(left_out_roles=())),
    }
    return cast("Inspection", SimpleNamespace(**parts))


def test_a_pair_is_told_once_whichever_of_the_two_is_blamed() -> None:
    """Other folders in the package change the order, and so which file counts as the copy."""
    before, after = (
        doubled("Tape echo.wav", "Snare top.wav"),
        doubled("Snare top.wav", "Tape echo.wav"),
    )
    plan = Plan(outputs=(), documents=(), left_out=(), repairs=())
    assert remaining_findings(inspected(before), plan, (after,)) == ((before,), ())


def test_another_pair_is_told() -> None:
    before, after = doubled("b.wav", "a.wav"), doubled("d.wav", "c.wav")
    plan = Plan(outputs=(), documents=(), left_out=(), repairs=())
    assert remaining_findings(inspected(before), plan, (after,))[0] == (
        before,
        of_what_was_delivered(after),
    )


def test_silence_that_the_plan_put_in_front_is_no_alarm() -> None:
    silence = Finding(
        check="head-silence",
        severity="note",
        message="4.00 s before the first sound",
        advice="Leave it.",
        file="Choir.wav",
        files=("Choir.wav",),
    )
    placed = OutputPlan(
        sources=("Choir.wav",),
        path="tracks/Choir.wav",
        role="track",
        song="",
        operations=(Operation(name="place", parameters={"head_samples": 192_000}),),
        format=None,
        frames=1,
    )
    plan = Plan(outputs=(placed,), documents=(), left_out=(), repairs=())
    untouched = Plan(outputs=(), documents=(), left_out=(), repairs=())
    assert remaining_findings(inspected(), plan, (silence,)) == ((), ())
    told = (of_what_was_delivered(silence),)
    assert remaining_findings(inspected(), untouched, (silence,)) == (told, ())
