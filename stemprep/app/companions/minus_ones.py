"""Mixes without one player, for that player to play to."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import Handover, Made
from stemprep.app.companions.mix_making import make_songs_mixes
from stemprep.app.companions.mixes import plan_minus_ones
from stemprep.model.plan import Companion, Plan


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """See ``Maker``."""
    return plan_minus_ones(inspection, planned)


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
    """See ``Maker``; nothing is left to make where the rough mix was made here too."""
    return make_songs_mixes(handover)
