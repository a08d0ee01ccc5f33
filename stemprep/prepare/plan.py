"""Decide what is done to every file of a drop, before anything is done."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from stemprep.model.facts import SetFacts
from stemprep.model.finding import Finding
from stemprep.model.header import AudioFormat
from stemprep.model.plan import DocumentPlan, Operation, OutputPlan, Plan, StartReference
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.words import CARRIED_ROLES
from stemprep.naming import (
    file_name,
    listing_problems,
    portability_problems,
    split_extension,
)
from stemprep.prepare.alignment import align
from stemprep.prepare.bar_order import bar_order
from stemprep.prepare.conform import (
    Song,
    at_ordered_level,
    at_target_rate,
    at_target_word,
    in_target_container,
    level_blockers,
)
from stemprep.prepare.cues import with_cues
from stemprep.prepare.draft import (
    ADDING_ROLES,
    Draft,
    is_editable,
    open_draft,
)
from stemprep.prepare.layout import Place, lay_out
from stemprep.prepare.order_numbers import OWN_NUMBER
from stemprep.prepare.outgoing import outgoing_bext, track_names
from stemprep.prepare.repairs import repairs_of
from stemprep.prepare.reshape import Wishes, open_drafts, wishes_of
from stemprep.prepare.selection import is_damaged, is_doubtful, select, titles_of
from stemprep.prepare.starts import have_one_start, stamped
from stemprep.units import convert_samples

_WORD = re.compile(r"[^\W_]+")
_SIDES = frozenset({("l", "r"), ("left", "right")})


@dataclass(frozen=True, slots=True, kw_only=True)
class _SongWork:
    """One song after planning: drafts of what is worked on, files that are only copied."""

    drafts: tuple[Draft, ...] = ()
    copies: tuple[MeasuredFile, ...] = ()
    notes: tuple[str, ...] = ()
    blockers: tuple[Finding, ...] = ()
    start_samples: int | None = None
    reference: StartReference | None = None


def plan_delivery(
    measured: MeasuredSession,
    set_facts: SetFacts,
    findings: Sequence[Finding],
    spec: DeliverySpec,
) -> Plan:
    """Plan the work for one package, from facts, findings, spec and sheet alone.

    Same input, same plan. ``blockers`` name files that no allowed operation can bring to what the
    spec asks for; they are fails beside the findings.
    """
    selection = select(measured, spec)
    wishes = wishes_of(spec, findings)
    works = {
        title: _plan_song(_song(title, selection.files, measured, set_facts), set_facts, wishes)
        for title in titles_of(selection.files, measured.session.songs)
    }
    items = _in_order(works.values(), selection.files)
    places = [_place(item) for item in items]
    paths, carried, name_notes = lay_out(
        places, [entry.path for entry in selection.documents], measured.session, spec
    )
    outputs = [
        _output(item, place, path, works, spec)
        for item, place, path in zip(items, places, paths, strict=True)
    ]
    outputs.sort(key=lambda output: output.path.encode("utf-8", "surrogatepass"))
    repairs = repairs_of(findings, outputs, spec)
    references = {
        title: work.reference for title, work in works.items() if work.reference is not None
    }
    if spec.contents.is_cue_points:
        outputs = [
            with_cues(output, measured, findings, repairs, references.get(output.song))
            for output in outputs
        ]
    return Plan(
        outputs=tuple(outputs),
        documents=tuple(
            DocumentPlan(source=entry.path, path=path)
            for entry, path in zip(selection.documents, carried, strict=True)
        ),
        left_out=selection.left_out,
        repairs=repairs,
        start_samples={title: work.start_samples for title, work in works.items()},
        references=references,
        notes=(
            *_container_notes(spec),
            *(note for work in works.values() for note in work.notes),
            *name_notes,
        ),
        blockers=tuple(blocker for work in works.values() for blocker in work.blockers),
    )


def _in_order(
    works: Iterable[_SongWork], files: Sequence[MeasuredFile]
) -> list[Draft | MeasuredFile]:
    """All that becomes an output, in the order of the files that it is made from."""
    order = {file.path: index for index, file in enumerate(files)}
    items: list[Draft | MeasuredFile] = []
    for work in works:
        items += [*work.drafts, *work.copies]
    return sorted(items, key=lambda item: order[_first(item).path])


def _container_notes(spec: DeliverySpec) -> tuple[str, ...]:
    if spec.target.container != "FLAC":
        return ()
    return ("The spec asks for FLAC; files stay in their containers, new ones are written as WAV.",)


def _song(
    title: str, files: Sequence[MeasuredFile], measured: MeasuredSession, set_facts: SetFacts
) -> Song:
    return Song(
        title=title,
        files=tuple(file for file in files if file.source.song == title),
        facts=next((facts for facts in set_facts.songs if facts.song == title), None),
        note=measured.session.note_of(title),
    )


def _plan_song(song: Song, set_facts: SetFacts, wishes: Wishes) -> _SongWork:
    """All decisions for one song, in the order in which the operations run."""
    workable = [file for file in song.files if is_editable(file)]
    if wishes.spec.contents.is_damaged_kept:  # an archive: every file as it is
        start_samples = _common_start([open_draft(file) for file in workable], song)
        return _SongWork(copies=song.files, start_samples=start_samples)
    copies = [file for file in song.files if not is_editable(file)]
    drafts, notes = open_drafts(workable, set_facts, wishes)
    drafts = [at_target_rate(draft, song, wishes) for draft in drafts]
    drafts = [at_ordered_level(draft, song, notes) for draft in drafts]
    has_unworkable = any(file.role not in CARRIED_ROLES for file in copies)
    aligned = align(
        drafts, wishes.spec.operations, bar_order(drafts, song), has_unworkable=has_unworkable
    )
    finished = [
        in_target_container(at_target_word(draft, song, wishes), wishes) for draft in aligned.drafts
    ]
    return _SongWork(
        drafts=tuple(finished),
        copies=tuple(copies),
        notes=(*song.notes, *notes, *_idle_gain(song, drafts), *aligned.notes),
        blockers=tuple(level_blockers(finished, song)),
        start_samples=_common_start(finished, song),
        reference=aligned.reference,
    )


def _idle_gain(song: Song, drafts: Sequence[Draft]) -> tuple[str, ...]:
    """Tell of a gain ordered for a song that has nothing it could be done to."""
    if not song.gain_db or any(draft.role in ADDING_ROLES for draft in drafts):
        return ()
    title = f" {song.title}" if song.title else ""
    return (
        f"The gain of {song.gain_db:+.2f} dB ordered for the song{title} is not done: it is for "
        "mixes and stems, and there are none; order gains for tracks by name.",
    )


def _common_start(drafts: Sequence[Draft], song: Song) -> int | None:
    """Where the files begin together, at the song's rate; None where they do not or nobody says."""
    timed = stamped(drafts)
    if not timed or not have_one_start(drafts):
        return None
    rate_hz = timed[0].form.sample_rate_hz
    song_hz = song.facts.sample_rate_hz if song.facts is not None else None
    return convert_samples(timed[0].start_samples or 0, rate_hz, song_hz or rate_hz)


def _first(item: Draft | MeasuredFile) -> MeasuredFile:
    return item.first if isinstance(item, Draft) else item


def _place(item: Draft | MeasuredFile) -> Place:
    if isinstance(item, MeasuredFile):
        return Place(file=item, name=file_name(item.path), form=item.facts.format)
    stem, extension = split_extension(file_name(item.first.path))
    if item.has("join"):
        stem = joined_name(*(split_extension(file_name(file.path))[0] for file in item.sources))
    if item.channel_name:
        stem = f"{stem}_{item.channel_name.replace('/', '_')}"
    if not item.has("copy") and extension.casefold() not in (".wav", ".wave", ".bwf"):
        extension = ".wav"
    return Place(file=item.first, name=stem + extension, form=item.form)


def joined_name(left: str, right: str) -> str:
    """Take the side out of the left one's name: ``09_OH`` of ``09_OH L`` and ``10_OH R``."""
    words = list(_WORD.finditer(left))
    others = list(_WORD.finditer(right))
    for word, other in zip(reversed(words), reversed(others), strict=False):
        if (word[0].casefold(), other[0].casefold()) in _SIDES:
            head = left[: word.start()].rstrip(" ._-(")
            tail = left[word.end() :].lstrip(")")
            return (head + tail).strip(" ._-") or left
    return left


def _output(
    item: Draft | MeasuredFile,
    place: Place,
    path: str,
    works: dict[str, _SongWork],
    spec: DeliverySpec,
) -> OutputPlan:
    if isinstance(item, MeasuredFile):
        return _plain_copy(item, place, path, spec)
    work = works[item.first.source.song]
    is_written = not item.has("copy")
    return OutputPlan(
        sources=tuple(file.path for file in item.sources),
        path=path,
        role=item.role,
        song=item.first.source.song,
        operations=(*item.operations, *_renaming(place, path, spec)),
        format=item.form,
        frames=item.frames,
        source_channels=item.source_channels,
        bext=outgoing_bext(
            item,
            is_song_stamped=bool(stamped(work.drafts)),
            is_header_ordered=spec.operations.base == "copy-audio",
        )
        if is_written
        else None,
        track_names=track_names(item) if is_written else (),
        is_damaged=is_damaged(item.first),
    )


def _plain_copy(file: MeasuredFile, place: Place, path: str, spec: DeliverySpec) -> OutputPlan:
    """Plan an output that is its source, byte for byte."""
    reason = "kept as it is"
    if is_damaged(file):
        reason = "could not be read whole; kept as it is"
    elif is_doubtful(file):
        reason = "others may not open it, or read it otherwise; kept as it is"
    form: AudioFormat | None = file.facts.format
    return OutputPlan(
        sources=(file.path,),
        path=path,
        role=file.role,
        song=file.source.song,
        operations=(Operation(name="copy", reason=reason), *_renaming(place, path, spec)),
        format=form,
        frames=file.facts.header.frames,
        is_damaged=is_damaged(file),
        is_doubtful=is_doubtful(file),
    )


def _renaming(place: Place, path: str, spec: DeliverySpec) -> tuple[Operation, ...]:
    """Tell of a renaming, beyond what split, join and another container give by themselves.

    Another folder alone is none.
    """
    file, old, new = place.file, file_name(place.file.path), file_name(path)
    if place.name == new:
        return ()
    is_by_template = spec.naming.template is not None and file.role in spec.naming.template_roles
    usual = (
        "named by the spec's template"
        if is_by_template
        else "in order and by the track's name"
        if spec.naming.is_numbered and OWN_NUMBER.match(new)
        else "so that no two files share a name"
    )
    problems = (*portability_problems(old), *listing_problems(old))
    reason = "; ".join(dict.fromkeys(problems)) or usual
    return (Operation(name="rename", parameters={"from": old, "to": new}, reason=reason),)
