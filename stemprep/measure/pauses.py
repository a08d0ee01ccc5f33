"""What is heard between the notes, of all channels."""

from __future__ import annotations

from stemprep.measure.hum import Hum
from stemprep.measure.noise_floor import NoiseFloor
from stemprep.model.facts import PauseFacts


def pause_facts(noise_floor: NoiseFloor, hum: Hum) -> PauseFacts:
    """Noise of the noisiest channel that has pauses, and hum where any channel has some."""
    channels = noise_floor.pauses()
    known = [(number, pauses) for number, pauses in enumerate(channels, 1) if pauses is not None]
    if not known:
        return PauseFacts()
    channel, pauses = max(known, key=lambda item: (item[1].level_dbfs, -item[0]))
    return PauseFacts(
        noise_floor_dbfs=pauses.level_dbfs,
        channel=channel,
        range_db=pauses.range_db,
        hum=hum.facts(),
    )
