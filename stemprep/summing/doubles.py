"""A stem at another level, or one missing that sounds the same: the sum cannot tell them apart.

Microphones that hear nothing but the same spill are alike to the last bits. Where the set has two
such stems, a third may be what the mix has more of.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from stemprep.model.null_test import NullCause
from stemprep.summing.model import Model
from stemprep.summing.refine import Bench

_ALIKE = 0.98
"""Of the power of one stem that another accounts for."""


def or_missing(bench: Bench, model: Model, causes: Sequence[NullCause]) -> tuple[NullCause, ...]:
    """The causes; those of level in a stem that has a double with a missing stem beside them."""
    doubled = {bench.parts.stems[stem].name for stem in _doubled(bench, model)}
    return tuple(
        or_a_missing_one(cause) if cause.kind == "level" and cause.file in doubled else cause
        for cause in causes
    )


def or_a_missing_one(cause: NullCause) -> NullCause:
    """The cause with a missing stem as one more equal alternative."""
    share = cause.confidence * (1 + len(cause.alternatives)) / (2 + len(cause.alternatives))
    missing = NullCause(kind="missing-stem")
    others = (*cause.alternatives, missing)
    told = tuple(replace(other, confidence=share) for other in others)
    return replace(cause, confidence=share, alternatives=told)


def _doubled(bench: Bench, model: Model) -> Iterator[int]:
    """Stems at another level throughout that sound like another one, which is as it should be."""
    changed = {change.stem for change in model.changes}
    for change in model.changes:
        if change.form != "level" or change.span is not None or change.is_moved:
            continue
        sound = bench.routed_plain(change.stem, model)
        own = float(np.einsum("kcw,kcw->", sound, sound))
        for stem in set(range(len(bench.parts.stems))) - changed:
            other = bench.routed_plain(stem, model)
            power = own * float(np.einsum("kcw,kcw->", other, other))
            along = float(np.einsum("kcw,kcw->", sound, other))
            if power > 0 and along**2 > _ALIKE * power:
                yield change.stem
                break
