"""What is made for a package beside the dropped files: rough mix, click, track sheet and the like.

The spec's ``contents.companions`` says which kinds a package gets. Each kind is a module here that
satisfies ``Maker`` and a line in ``MAKERS``; sound and words are made in the rooms below.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions import (
    click,
    consolidated,
    listening_copies,
    markers,
    minus_ones,
    names_table,
    returns,
    rough_mix,
    tempo_map,
    track_sheet,
)
from stemprep.app.companions.maker import Handover, Maker
from stemprep.model.package import StagedDocument, WrittenFile
from stemprep.model.plan import Companion, Plan
from stemprep.model.words import CompanionKind
from stemprep.naming import distinct_paths

__all__ = ["MAKERS", "Handover", "make_companions", "with_companions"]

MAKERS: Mapping[CompanionKind, Maker] = {
    "rough-mix": rough_mix,
    "minus-ones": minus_ones,
    "listening-copies": listening_copies,
    "click": click,
    "tempo-map": tempo_map,
    "markers": markers,
    "consolidated": consolidated,
    "names-table": names_table,
    "track-sheet": track_sheet,
    "returns": returns,
}
"""Kind -> module, in the order in which they are made: later ones may use what earlier ones did."""


def with_companions(planned: Plan, inspection: Inspection) -> Plan:
    """The plan with everything that will be made; no path is one that the plan has already."""
    wanted = inspection.spec.contents.companions
    companions: list[Companion] = []
    for kind, maker in MAKERS.items():
        if kind in wanted:
            so_far = replace(planned, companions=tuple(companions))
            companions += maker.plan_companions(inspection, so_far)
    apart = _clear_of_others(companions, planned)
    return replace(planned, companions=tuple(sorted(apart, key=lambda each: each.path)))


def _clear_of_others(companions: Sequence[Companion], planned: Plan) -> list[Companion]:
    """Companions whose names the dropped files have already give way."""
    taken = [output.path for output in planned.outputs]
    taken += [document.path for document in planned.documents]
    paths = distinct_paths([*taken, *(companion.path for companion in companions)])[len(taken) :]
    return [
        replace(companion, path=path) for companion, path in zip(companions, paths, strict=True)
    ]


def make_companions(
    handover: Handover,
) -> tuple[tuple[WrittenFile, ...], tuple[StagedDocument, ...]]:
    """Make what the plan says into the staging folder; return sound and documents.

    Raises DeliveryError where something cannot be made or written.
    """
    for kind, maker in MAKERS.items():
        planned = [item for item in handover.planned.companions if item.kind == kind]
        if planned:
            handover = handover.with_made(maker.make(planned, handover))
    sounds = [made for made in handover.made if isinstance(made, WrittenFile)]
    documents = [made for made in handover.made if isinstance(made, StagedDocument)]
    return tuple(sounds), tuple(documents)
