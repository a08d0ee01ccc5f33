"""From places in dropped files to places in the files of a package."""

from __future__ import annotations

from stemprep.model.plan import OutputPlan
from stemprep.units import convert_samples

_MOVES = {"place": 1, "pad": 1, "trim": -1}


def place_in_output(output: OutputPlan, sample: int, source_hz: int) -> int | None:
    """Where a sample of an output's source lies in the output; None where it was cut away.

    sample: at the source's own rate; the result counts at the output's.
    """
    if output.format is None:
        return sample
    place = convert_samples(sample, source_hz, output.format.sample_rate_hz)
    for step in output.operations:
        head = step.parameters.get("head_samples", 0)
        if isinstance(head, int):
            place += _MOVES.get(step.name, 0) * head
    return place if 0 <= place <= output.frames else None
