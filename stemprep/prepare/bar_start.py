"""The files of a song begin at bar 1, less the count-in that was ordered.

They begin earlier, by whole bars, where sound exists before: a pick-up is never cut. What is cut is
silent in every file of the song; where the files begin later, silence is put in front. The plan
says in words where the files begin and where bar 1 lies in them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from stemprep.model.plan import StartReference
from stemprep.model.rule import Operations
from stemprep.prepare.bar_order import BarOrder, reference_at
from stemprep.prepare.draft import Draft, silence_dbfs, with_step
from stemprep.prepare.starts import have_one_start, stamped, start_s
from stemprep.timeline import MAX_BEFORE_S, SongTimeline, nearest_sample
from stemprep.units import clock_from_samples, samples_from_seconds

MUCH_SILENCE_S = 60  # common practice: more in front of a song is seldom meant
MAX_SECTIONS_NAMED = 5


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
        named = ", ".join(f"{each.name} (bar {each.bar})" for each in behind[:MAX_SECTIONS_NAMED])
        more = len(behind) - MAX_SECTIONS_NAMED
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
        text = f"{seconds:.3f} s before bar 1" if seconds else "at bar 1"
        no_count_in = f" ({order.timeline.no_map}, so no count-in can be laid out)"
        return text + (no_count_in if order.count_in_bars else "")
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """Drafts that begin where the bars want it, what was decided, and where bar 1 lies in them.

    begins_samples: the common first sample on the timeline of bar 1; None where there is none.
    is_at_bar:      the start was decided by the bars, so nothing else may move it.
    """

    drafts: tuple[Draft, ...]
    reference: StartReference
    notes: tuple[str, ...] = ()
    begins_samples: int | None = None
    is_at_bar: bool = False


def begin_at_bars(
    drafts: Sequence[Draft], order: BarOrder, operations: Operations, *, has_unworkable: bool
) -> Begun:
    """Shift the common start of one song to the bar that is wanted; tell where bar 1 lies.

    Nothing moves, and a note says why, where bar 1 is not known or cannot be, the files do not
    begin together, or one of them can only be copied.
    """
    timeline = order.timeline
    begins = _common_start(drafts, timeline.rate_hz)
    doubt = _doubt(drafts, timeline, begins)
    if doubt or begins is None:
        text = (
            f"Bar 1{order.of_song} is not known: {doubt}. The files keep their common start, and "
            "no click or tempo map can be made.",
        )
        return Begun(
            drafts=tuple(drafts),
            reference=StartReference(
                rate_hz=timeline.rate_hz,
                start_samples=begins if stamped(drafts) else None,
                unknown=doubt,
            ),
            notes=text if operations.is_start_at_bar_1 and drafts else (),
        )
    unmoved = Begun(
        drafts=tuple(drafts),
        reference=reference_at(timeline, begins),
        begins_samples=begins,
    )
    if not operations.is_start_at_bar_1:
        return unmoved
    start, why = _chosen_start(drafts, order, operations, begins)
    obstacle = _obstacle(start, timeline, has_unworkable=has_unworkable)
    if obstacle:
        note = f"Nothing{order.of_song} was moved to a bar line: {obstacle}; "
        return replace(unmoved, notes=(f"{note}{where_bar_1_is(unmoved.reference)}.",))
    notes = (
        *start_notes(order, begins, start, why),
        *section_notes(order, _end(drafts, begins, timeline)),
    )
    return Begun(
        drafts=tuple(_begun(draft, start, timeline.rate_hz) for draft in drafts),
        reference=reference_at(timeline, begins + start),
        notes=notes,
        begins_samples=begins + start,
        is_at_bar=True,
    )


def _doubt(drafts: Sequence[Draft], timeline: SongTimeline, begins: int | None) -> str:
    """In words, why bar 1 cannot be told in the files; "" where it can."""
    if not drafts:
        return "the song holds no files that could be laid out"
    if begins is None:
        return "the files of the song do not begin together"
    if timeline.bar_1_sample is None:
        return timeline.no_bar_1
    rate_hz, bar_1 = timeline.rate_hz, timeline.bar_1_sample
    end = _end(drafts, begins, timeline)
    if timeline.is_bar_1_within(begins, end):
        return ""
    return (
        f"the session sheet puts it at {clock_from_samples(bar_1, rate_hz)}, but the files run "
        f"from {clock_from_samples(begins, rate_hz)} to {clock_from_samples(end, rate_hz)}; "
        "correct bar_1 in the sheet, or the files' time references"
    )


def _end(drafts: Sequence[Draft], begins: int, timeline: SongTimeline) -> int:
    """Where the longest file ends, on the timeline of bar 1."""
    end_s = max(Fraction(draft.frames, draft.form.sample_rate_hz) for draft in drafts)
    return begins + int(end_s * timeline.rate_hz)


def _common_start(drafts: Sequence[Draft], rate_hz: int) -> int | None:
    """First sample of all files on the timeline of bar 1; 0 where no time reference says."""
    if not have_one_start(drafts):
        return None
    timed = stamped(drafts)
    return nearest_sample(start_s(timed[0]), rate_hz) if timed else 0


def _chosen_start(
    drafts: Sequence[Draft], order: BarOrder, operations: Operations, begins: int
) -> tuple[int, str]:
    """First sample wanted, counted from the files' common start, and why it is not the ordered."""
    timeline = order.timeline
    sound = _first_sound(drafts, timeline.rate_hz)
    is_cut_safe = all(silence_dbfs(d) <= operations.trim_threshold_dbfs for d in drafts)
    latest = sound if is_cut_safe else 0
    start = _wanted_start(order) - begins
    if start <= latest:
        return start, ""
    margin = samples_from_seconds(operations.trim_head_s, timeline.rate_hz)
    why = (
        f"{_sounding_first(drafts).first.path} sounds from "
        f"{clock_from_samples(sound, timeline.rate_hz)} on"
        if is_cut_safe
        else "silence was not measured as low as a cut needs it"
    )
    return _earlier(timeline, begins, max(0, latest - margin), start), why


def _obstacle(start: int, timeline: SongTimeline, *, has_unworkable: bool) -> str:
    if has_unworkable:
        return "some of its files can only be copied"
    if start < -MAX_BEFORE_S * timeline.rate_hz:
        silence = clock_from_samples(-start, timeline.rate_hz)
        return f"that would put {silence} of silence in front; correct bar_1 or count_in_bars"
    return ""


def _wanted_start(order: BarOrder) -> int:
    timeline = order.timeline
    assert timeline.bar_1_sample is not None, "asked to begin at a bar that is not known"
    if timeline.tempo_map is None:
        return timeline.bar_1_sample
    return timeline.sample_of(1 - order.count_in_bars)


def _earlier(timeline: SongTimeline, begins: int, latest: int, wanted: int) -> int:
    """The last bar line at or before ``latest``, in the files' samples; without bars ``latest``."""
    if timeline.tempo_map is None:
        return min(latest, wanted)
    return timeline.sample_of(timeline.bar_beat_at(begins + latest).bar) - begins


def _first_sound(drafts: Sequence[Draft], rate_hz: int) -> int:
    """Where sound begins, or the shortest silent file would be used up."""
    places = [
        Fraction(draft.frames - 1 if draft.is_silent else draft.leading, draft.form.sample_rate_hz)
        for draft in drafts
    ]
    return int(min(places) * rate_hz)


def _sounding_first(drafts: Sequence[Draft]) -> Draft:
    sounding = [draft for draft in drafts if not draft.is_silent] or list(drafts)
    return min(sounding, key=lambda draft: Fraction(draft.leading, draft.form.sample_rate_hz))


def _begun(draft: Draft, start: int, rate_hz: int) -> Draft:
    """Cut ``start`` samples of silence from the head, or (negative) put as many in front."""
    own = nearest_sample(Fraction(start, rate_hz), draft.form.sample_rate_hz)
    if not own:
        return draft
    frames = draft.frames - own
    begins = draft.start_samples
    moved = replace(
        draft,
        frames=frames,
        leading=frames if draft.is_silent else draft.leading - own,
        trailing=frames if draft.is_silent else draft.trailing,
        start_samples=None if begins is None else max(0, begins + own),
    )
    return with_step(
        moved,
        "trim" if own > 0 else "pad",
        reason="the song begins at a bar; silent in every file of the song"
        if own > 0
        else "the song begins at a bar",
        evidence="bar 1 as the session sheet gives it",
        head_samples=abs(own),
        tail_samples=0,
    )
