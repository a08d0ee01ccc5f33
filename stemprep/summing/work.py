"""How much a null test may compute: counted in samples, so that every machine stops alike."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

from stemprep.summing.parts import Stream, SumSet

_PASSES = 20
"""Of the whole set; one costs a tenth of what measuring the files does."""
_LEAST = 12_000_000_000
"""Short sets are searched as long as one of 24 stereo stems of four minutes."""


class OutOfWorkError(Exception):
    """The work that a test may do is used up: what was not found so far is not explained."""


@dataclass(slots=True)
class Work:
    """Samples gone through, all files and channels, and how many may be."""

    limit: float
    done: float = 0.0

    def spend(self, samples: float) -> None:
        """Count work about to be done; ``OutOfWorkError`` where that is too much."""
        if self.done + samples > self.limit:
            raise OutOfWorkError
        self.done += samples


def metered(parts: SumSet) -> SumSet:
    """The set with a limit: every pass over it counts, and every fit to its excerpts."""
    files = (parts.mix, *parts.stems)
    samples = float(sum(part.channels for part in files) * parts.frames)
    work = Work(max(_PASSES * samples, _LEAST))

    @contextmanager
    def opened() -> Iterator[Sequence[Stream]]:
        work.spend(samples)
        with parts.open() as streams:
            yield streams

    return replace(parts, open=opened, spend=work.spend)
