"""What a page shows and plays of the places of findings: the sound around them, made small."""

from __future__ import annotations

from dataclasses import dataclass

from stemprep.model.finding import Occurrence


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A piece of one channel as columns.

    step_samples: samples a column; the last one may hold fewer.
    levels:       lowest and highest value of each column in turn, a companded byte each
                  (``dsp.companding``).
    """

    start_sample: int
    step_samples: int
    levels: bytes

    @property
    def end_sample(self) -> int:
        """Where the last column ends."""
        return self.start_sample + self.step_samples * (len(self.levels) // 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Excerpt:
    """A second or more of sound to listen to.

    gain_db: by how much it was turned down for that.
    flac:    the bytes of a FLAC stream.
    """

    start_sample: int
    end_sample: int
    gain_db: float
    flac: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Closeup:
    """The sound around one place of one file.

    place:        as the finding says; channel (from 1) is the one drawn.
    near, wide:   the same place in two sizes.
    excerpt:      None where nobody asked to hear it.
    """

    path: str
    channel: int
    place: Occurrence
    near: Stretch
    wide: Stretch
    excerpt: Excerpt | None = None
