"""One constant gain, and polarity where a person ordered it."""

from __future__ import annotations

from dataclasses import replace

from stemprep.model.plan import Operation
from stemprep.prepare.stream import Stream, number
from stemprep.units import ratio_from_db


def gain(stream: Stream, step: Operation) -> Stream:
    """Multiply by ``gain_db``; ``is_inverted`` flips polarity, which alone keeps samples exact."""
    gain_db = number(step, "gain_db")
    ratio = ratio_from_db(gain_db)
    factor = -ratio if step.parameters.get("is_inverted") is True else ratio
    return replace(
        stream,
        bit_depth=stream.bit_depth if gain_db == 0.0 else None,
        blocks=(block * factor for block in stream.blocks),
    )
