"""The rough mix of a song that came without one: made from its stems or tracks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import Handover, Made
from stemprep.app.companions.mix_making import make_songs_mixes
from stemprep.app.companions.mixes import plan_rough_mixes
from stemprep.model.plan import Companion, Plan


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """See ``Maker``."""
    return plan_rough_mixes(inspection, planned)


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
    """See ``Maker``; minus-ones that are planned come in the same pass over the files."""
    return make_songs_mixes(handover)
