"""From stretches that differ to regions that a person can use: one for each thing done."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from stemprep.lineage.differences import Differences, Span
from stemprep.lineage.explaining import SAME_GAIN_DB, Excerpt, Explanation
from stemprep.lineage.moving import parts_of
from stemprep.model.reconciliation import Region
from stemprep.units import ratio_from_db

# Shorter ones hold too little to be read by themselves, and are put to what lies around.
SHORT_FRAMES = 64
# Stretches of one kind this near are one region to a person.
NEAR_S = 0.1
# Of one file, so that a report can be read; the rest is told as one.
MOST_REGIONS = 200
# Of a sample: moves that agree to it are one move.
SAME_LAG = 0.1
NO_NUMBERS = "values that are no numbers (NaN or infinite)"
# Of the word, RMS: what is fainter is dither around silence.
_SILENT_STEPS = 4.0
# Gains that were met last, to which the next one is compared.
_KNOWN = 8
_TRACE_CELLS = 4
"""What a filter leaves where the sound ends is too short to be told from an edit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundComparison:
    """What was done to an original.

    regions:    in samples of the original; is_another: nothing of its sound is there.
    offset:     how many frames later the original lies in what came back.
    channels_words: where the number of channels is another, what became of them.
    is_of_original: its very sound was found there, not loudness alone that moves alike.
    """

    regions: tuple[Region, ...]
    is_another: bool = False
    offset: int = 0
    channels_words: str = ""
    is_of_original: bool = True

    @property
    def is_unpadded(self) -> bool:
        """Nothing is missing but silence that the package had added."""
        is_padding = all(region.is_added_silence for region in self.regions)
        return bool(self.regions) and is_padding and not self.channels_words


def ends_of(frames: int, returned: int, offset: int) -> tuple[Region, ...]:
    """What was cut off or added at head and tail, or that the whole lies elsewhere.

    frames, returned: lengths of the original and of what came back.
    offset: how much later the original lies there. Of unchanged length, it was moved as a whole.
    """
    if offset and frames == returned:
        return (
            Region(
                start_sample=0, end_sample=frames, kind="moved", gain_db=0.0, moved_samples=offset
            ),
        )
    found: list[Region] = []
    if offset < 0:
        found.append(Region(start_sample=0, end_sample=-offset, kind="trimmed"))
    if offset > 0:
        found.append(Region(start_sample=0, end_sample=offset, kind="padded"))
    end = returned - offset
    if end < frames:
        found.append(Region(start_sample=end, end_sample=frames, kind="trimmed"))
    if end > frames:
        found.append(Region(start_sample=frames + offset, end_sample=returned, kind="padded"))
    return tuple(found)


def regions_of(
    found: Differences, excerpts: Iterable[tuple[Span, Excerpt]], *, first: int, step: float
) -> tuple[Region, ...]:
    """One region for each thing done, in order of place.

    excerpts: of the stretches of ``found``; first: frame of the original at which it begins.
    """
    explained: list[tuple[Span, Explanation]] = []
    short: list[tuple[Span, Excerpt]] = []
    for span, excerpt in excerpts:
        if span[1] - span[0] < SHORT_FRAMES:
            short.append((span, excerpt))
            continue
        known = _known_gain(excerpt, [each for _, each in explained])
        parts = [(0, excerpt.frames, known)] if known else parts_of(excerpt)
        explained += [((span[0] + start, span[0] + end), how) for start, end, how in parts]
    explained += [(span, Explanation(kind="edited", words=NO_NUMBERS)) for span in found.no_numbers]
    for span, excerpt in short:
        known = _known_gain(excerpt, [each for _, each in explained])
        explained.append((span, known or Explanation(kind="edited")))
    explained.sort(key=lambda each: each[0])
    joined = list(_joined(explained, found, step))
    return tuple(
        replace(
            region, start_sample=region.start_sample + first, end_sample=region.end_sample + first
        )
        for region in _at_most(joined)
    )


def _known_gain(excerpt: Excerpt, explained: Sequence[Explanation]) -> Explanation | None:
    """A gain found elsewhere in the file that explains this stretch to within the rounding.

    In a fade to silence only single samples differ, from which no gain can be told.
    """
    gains = list(dict.fromkeys(each for each in explained if each.kind == "gain"))
    for each in gains[-_KNOWN:]:
        assert each.gain_db is not None, "a gain has a level"
        left = excerpt.returned - ratio_from_db(each.gain_db) * excerpt.original
        if float(np.abs(left).max(initial=0.0)) <= 1.5 * (excerpt.step or 2.0**-24):
            return each
    return None


def _joined(
    explained: Sequence[tuple[Span, Explanation]], found: Differences, step: float
) -> Iterator[Region]:
    """Neighbours to which the same was done, made one where nothing of note lies between them."""
    near = NEAR_S * found.cell_frames * 200
    current: tuple[Span, Explanation] | None = None
    for span, explanation in explained:
        if current is None:
            current = span, explanation
            continue
        (start, end), known = current
        is_close = span[0] - end < near or _is_silent(found, end, span[0], step)
        is_trace = (
            known.kind == "processed"
            and span[1] - span[0] <= _TRACE_CELLS * found.cell_frames
            and explanation.words != NO_NUMBERS
        )
        if is_close and (is_trace or _is_same(known, explanation)):
            current = (start, span[1]), known
        else:
            yield known.at(start, end)
            current = span, explanation
    if current is not None:
        (start, end), known = current
        yield known.at(start, end)


def _is_same(left: Explanation, right: Explanation) -> bool:
    if NO_NUMBERS in (left.words, right.words):
        return left.words == right.words
    if (left.kind, left.moved_samples) != (right.kind, right.moved_samples):
        return False
    if left.between_samples is not None and right.between_samples is not None:
        return abs(left.between_samples - right.between_samples) <= SAME_LAG
    if left.between_samples != right.between_samples:
        return False
    if left.kind in ("edited", "processed"):
        return True
    if left.gain_db is None or right.gain_db is None:
        return left.gain_db == right.gain_db
    return abs(left.gain_db - right.gain_db) <= SAME_GAIN_DB


def _is_silent(found: Differences, start: int, end: int, step: float) -> bool:
    """The original is so quiet between two places that a change could not show."""
    cells = slice(-(-start // found.cell_frames), end // found.cell_frames)
    limit = found.cell_frames * (_SILENT_STEPS * (step or 2.0**-24)) ** 2
    return bool((found.original[cells] <= limit).all())


def _at_most(regions: Sequence[Region]) -> Sequence[Region]:
    """No more than can be read: the last one then reaches to the end of all others."""
    if len(regions) <= MOST_REGIONS:
        return regions
    rest = regions[MOST_REGIONS - 1 :]
    last = Region(
        start_sample=rest[0].start_sample,
        end_sample=rest[-1].end_sample,
        kind="edited",
        words=f"changed in {len(rest):,} more places",
    )
    return [*regions[: MOST_REGIONS - 1], last]
