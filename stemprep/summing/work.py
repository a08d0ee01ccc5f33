"""How much a null test may compute: counted in samples, so that every machine stops alike."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

from stemprep.summing.parts import Stream, SumSet

_PASSES = 8
"""Of the whole set; one costs up to a quarter of what measuring the files does."""
_LEAST = 4_600_000_000
"""Sets of medium length are searched as long as one of 24 stereo stems of four minutes."""
_SHORT = 24_000_000_000
"""Sets that fit into memory as a whole are searched longer: a minute or so."""


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


def metered(parts: SumSet, *, is_short: bool) -> SumSet:
    """The set with a limit: every pass over it counts, and every fit to its excerpts.

    is_short: the excerpts are the whole.
    """
    files = (parts.mix, *parts.stems)
    samples = float(sum(part.channels for part in files) * parts.frames)
    work = Work(max(_PASSES * samples, _SHORT if is_short else _LEAST))

    @contextmanager
    def opened() -> Iterator[Sequence[Stream]]:
        work.spend(samples)
        with parts.open() as streams:
            yield streams

    return replace(parts, open=opened, spend=work.spend)
