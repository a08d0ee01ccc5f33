"""The content of a tempo file as a manifest keeps it, held to what such a file may say."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from stemprep.model.sheet import MidiTempo

_MAX_EVENTS = 10_000
_Tick = Annotated[int, Field(ge=0, le=1 << 40)]
_QuarterUs = Annotated[int, Field(ge=60_000, le=0xFFFFFF)]
_Beats = Annotated[int, Field(ge=1, le=255)]
_NoteValue = Annotated[int, Field(ge=1, le=64)]
_Name = Annotated[str, Field(max_length=100)]


class _TempoRead(BaseModel):
    """Fields of ``MidiTempo``; nothing unknown, nothing converted, ticks in order."""

    model_config = ConfigDict(extra="forbid", strict=True)

    ticks_per_quarter: Annotated[int, Field(ge=1, le=0x7FFF)]
    tempos: Annotated[tuple[tuple[_Tick, _QuarterUs], ...], Field(max_length=_MAX_EVENTS)]
    meters: Annotated[tuple[tuple[_Tick, _Beats, _NoteValue], ...], Field(max_length=_MAX_EVENTS)]
    markers: Annotated[tuple[tuple[_Tick, _Name], ...], Field(max_length=_MAX_EVENTS)]

    @model_validator(mode="after")
    def _in_order(self) -> _TempoRead:
        ticks = [[event[0] for event in self.tempos], [event[0] for event in self.meters]]
        ticks.append([event[0] for event in self.markers])
        if any(later < earlier for places in ticks for earlier, later in pairwise(places)):
            raise ValueError("ticks do not rise")
        if any(unit & (unit - 1) for _, _, unit in self.meters):
            raise ValueError("a note value is no power of two")
        return self


def recorded_tempo(text: str) -> MidiTempo:
    """Give the record of its JSON text; ValidationError where it does not hold."""
    read = _TempoRead.model_validate_json(text)
    return MidiTempo(**{name: getattr(read, name) for name in _TempoRead.model_fields})
