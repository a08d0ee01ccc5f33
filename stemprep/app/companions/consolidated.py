"""Copies of an archive's takes that all begin at one point, beside the takes as they were dropped.

Any recorder or editor of any year can line them up: put every file at zero. They are planned and
written as an overdub delivery writes its files; rate, word length and sound stay each file's own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from stemprep.app.check.inspect import no_progress
from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import Handover
from stemprep.app.write_outputs import write_outputs
from stemprep.model.package import WrittenFile
from stemprep.model.plan import Companion, OutputPlan, Plan
from stemprep.model.rule import DeliverySpec
from stemprep.prepare import plan_delivery
from stemprep.spec import load_spec

FOLDER = "consolidated"
WORDS = "A copy that begins and ends with all other copies of its song: put each at zero."


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """One copy of every file that can be read whole; damaged takes have none."""
    for output in _copies(inspection):
        yield Companion(
            kind="consolidated",
            path=output.path,
            song=output.song,
            words=WORDS,
            made_from=output.sources,
        )


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[WrittenFile]:
    """Write the copies, read them back and measure them; raises DeliveryError."""
    paths = {companion.made_from: companion.path for companion in companions}
    outputs = tuple(
        replace(output, path=paths[output.sources]) for output in _copies(handover.inspection)
    )
    written = write_outputs(
        handover.inspection,
        replace(handover.planned, outputs=outputs),
        handover.staging,
        handover.engine,
        no_progress,
    )
    return [replace(file, made_by_us=True) for file in written]


def _copies(inspection: Inspection) -> list[OutputPlan]:
    """The outputs of a delivery that does nothing but bring everything to one start and length."""
    planned = plan_delivery(
        inspection.measured, inspection.judgement.set_facts, (), _lining_up(inspection.spec)
    )
    return [
        replace(output, path=f"{FOLDER}/{output.path}")
        for output in planned.outputs
        if not output.is_damaged
    ]


def _lining_up(spec: DeliverySpec) -> DeliverySpec:
    base = load_spec("base")
    operations = replace(
        base.operations,
        base="copy-audio",
        allowed=("copy-audio", "rewrap", "place", "pad", "rename"),
        is_common_start=True,
        is_equal_length=True,
    )
    return replace(spec, operations=operations, naming=base.naming, contents=base.contents)
