"""Where the files of a song begin and where bar 1 lies in them, in the words of the plan."""

from __future__ import annotations

from collections.abc import Iterator

from stemprep.model.plan import StartReference
from stemprep.prepare.bar_order import BarOrder, reference_at
from stemprep.units import clock_from_samples

MUCH_SILENCE_S = 60  # common practice: more in front of a song is seldom meant
MAX_SECTIONS_TOLD = 5


def start_notes(order: BarOrder, dropped: int, start: int, why: str) -> Iterator[str]:
    """What was decided; ``dropped``: where the files began, ``start``: samples after that."""
    timeline, begins = order.timeline, dropped + start
    yield _begin_note(reference_at(timeline, begins), order, why)
    if dropped and start < -MUCH_SILENCE_S * timeline.rate_hz:
        yield (
            f"That puts {clock_from_samples(-start, timeline.rate_hz)} of silence in front of "
            f"every file. If bar_1 was counted from the start of the files, add {dropped:,} to its "
            "samples: their time reference is where they begin."
        )
    if timeline.tempo_map is None:
        yield f"No click or tempo map{order.of_song} can be made: {timeline.no_map}."
    elif timeline.tempo_map.is_gliding:
        yield (
            f"The tempo{order.of_song} glides; it is read so that each beat is longer or shorter "
            "than the one before by the same amount. Programs differ in that: where yours glides "
            "otherwise its later bars lie elsewhere, and only its own MIDI file as tempo_file in "
            "the session sheet settles it."
        )
    if timeline.is_stamped and begins < 0:
        yield (
            "The count-in reaches back before midnight, which no time reference can say: those of "
            "the files count from their common start instead."
        )


def section_notes(order: BarOrder, end: int) -> Iterator[str]:
    """Sections of the sheet that begin behind the last file: a slip in a bar's number."""
    timeline = order.timeline
    if not timeline.has_bars:
        return
    behind = [each for each in timeline.sections if timeline.sample_of(each.bar) > end]
    if behind:
        named = ", ".join(f"{each.name} (bar {each.bar})" for each in behind[:MAX_SECTIONS_TOLD])
        more = len(behind) - MAX_SECTIONS_TOLD
        last = timeline.bar_beat_at(end).bar
        yield (
            f"Not marked{order.of_song}, because the files end in bar {last}: {named}"
            f"{f' and {more} more' if more > 0 else ''}; check the bars of sections and tempo map."
        )


def _begin_note(reference: StartReference, order: BarOrder, why: str) -> str:
    begin = _begin_words(reference, order)
    earlier = f", earlier than ordered because {why}" if why else ""
    return f"All files{order.of_song} begin {begin}{earlier}; {where_bar_1_is(reference)}."


def _begin_words(reference: StartReference, order: BarOrder) -> str:
    if reference.start_bar is None:
        seconds = (reference.bar_1_samples or 0) / reference.rate_hz
        told = f"{seconds:.3f} s before bar 1" if seconds else "at bar 1"
        no_count_in = f" ({order.timeline.no_map}, so no count-in can be laid out)"
        return told + (no_count_in if order.count_in_bars else "")
    bars = 1 - int(reference.start_bar.partition(".")[0])
    if bars <= 0:
        return f"at bar {1 - bars}"
    return f"{bars} {'bar' if bars == 1 else 'bars'} before bar 1, at bar {1 - bars}"


def where_bar_1_is(reference: StartReference) -> str:
    """The place of a known bar 1 in every file."""
    bar_1, timecode = reference.bar_1_samples or 0, ""
    if reference.bar_1_timecode is not None:
        timecode = f", timecode {reference.bar_1_timecode} at {reference.frame_rate} frames/s"
    if bar_1 < 0:
        return f"bar 1 lies {-bar_1:,} samples before the files begin{timecode}"
    clock = clock_from_samples(bar_1, reference.rate_hz)
    return f"bar 1 is sample {bar_1:,} of each file ({clock}{timecode})"
