"""Bars and starts of a package whose files are carried over: what joins them stands by theirs.

A package may begin at a bar: silence was cut from the heads of its files, or put in front. What
corrects one of them is cut or filled the same way.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

from stemprep.app.corrections.merged_set import Joining, MergedSet
from stemprep.checks.start_alignment import ID as START_ALIGNMENT
from stemprep.lineage import DeliveredFile
from stemprep.model.finding import Finding
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.sheet import TrackNote
from stemprep.model.words import CARRIED_ROLES
from stemprep.timeline import nearest_sample

_HEADS = {"pad": 1, "trim": -1}


def placed_in_package(
    measured: MeasuredSession, merged: MergedSet
) -> tuple[MeasuredSession, tuple[Finding, ...]]:
    """The set with a move for every joined file that begins elsewhere than the package's.

    Nothing but silence is ever cut: a file with sound before the package's start is told as a
    finding that stops the delivery, unless its time reference lets the plan say so by itself.
    """
    moves = {
        file.path: move
        for file in measured.files
        if (move := _move_of(file, measured, merged)) is not None
    }
    obstacles = [
        _obstacle(file, -moves.pop(file.path), merged)
        for file in measured.files
        if file.path in moves and -moves[file.path] > _leading(file, _rate_of(file, merged))
    ]
    files = tuple(
        replace(file, source=replace(file.source, note=_moved(file, moves[file.path])))
        if file.path in moves
        else file
        for file in measured.files
    )
    return replace(measured, files=files), tuple(obstacles)


def _move_of(file: MeasuredFile, measured: MeasuredSession, merged: MergedSet) -> int | None:
    """By how much it has to move to stand in the package, at the package's rate; None: it stands.

    Files of a return come with their own orders.
    """
    joining = merged.joined.get(file.path)
    if joining is None or joining.note is not None or file.role in CARRIED_ROLES:
        return None
    if file.facts.format is None or file.facts.sound is None:
        return None
    rate_hz = _rate_of(file, merged)
    stamp = file.facts.header.time_reference_samples
    if stamp:
        begins_s = Fraction(stamp, file.facts.format.sample_rate_hz)
        gap = nearest_sample(begins_s - _start_s(file.source.song, measured, merged), rate_hz)
        return gap if gap < 0 and -gap <= _leading(file, rate_hz) else None
    return _head_of_replaced(file, joining, merged) or None


def _start_s(song: str, measured: MeasuredSession, merged: MergedSet) -> Fraction:
    """Earliest time reference of the carried files of a song; what has none comes last."""
    starts = [
        Fraction(stamp, each.facts.format.sample_rate_hz)
        for each in measured.files
        if each.path in merged.carried and each.source.song == song
        if each.facts.format is not None and (stamp := each.facts.header.time_reference_samples)
    ]
    return min(starts, default=Fraction(0))


def _head_of_replaced(file: MeasuredFile, joining: Joining, merged: MergedSet) -> int:
    """What was put in front (positive) or cut from the file that it replaces, in a session whose
    files do not tell the time. A file as long as that one after the work was worked on already.
    """
    before = _replaced(joining, merged)
    if before is None or not before.sources:
        return 0
    source = before.sources[0].facts or {}
    is_done = file.facts.header.frames == before.whole("frames") != source.get("frames")
    if source.get("time_reference_samples") or is_done:
        return 0
    heads = ((step.name, step.parameters.get("head_samples")) for step in before.operations)
    return sum(_HEADS.get(name, 0) * head for name, head in heads if isinstance(head, int))


def _replaced(joining: Joining, merged: MergedSet) -> DeliveredFile | None:
    by_path = {each.path: each for each in merged.package.manifest.files}
    return next((by_path[path] for path in joining.replaces if path in by_path), None)


def _rate_of(file: MeasuredFile, merged: MergedSet) -> int:
    """Rate of the package's files of the song, at which a move counts."""
    rates = (each.whole("sample_rate_hz") for each in _carried(file.source.song, merged))
    assert file.facts.format is not None, "only a file with a format is moved"
    return next((rate for rate in rates if rate), file.facts.format.sample_rate_hz)


def _carried(song: str, merged: MergedSet) -> Iterator[DeliveredFile]:
    return (each for each in merged.carried.values() if each.song == song)


def _leading(file: MeasuredFile, rate_hz: int) -> int:
    """Silence before its first sound, at the package's rate."""
    assert file.facts.sound is not None, "only a file with sound is moved"
    assert file.facts.format is not None, "only a file with a format is moved"
    leading = file.facts.sound.silence.leading_samples
    return leading * rate_hz // file.facts.format.sample_rate_hz


def _moved(file: MeasuredFile, move: int) -> TrackNote:
    note = file.source.note or TrackNote(pattern=file.path)
    order = replace(
        note.order,
        move_samples=move + (note.order.move_samples or 0),
        move_reason="begins where the package begins; what is cut before that is silent"
        if move < 0
        else "begins where the package begins, as the file that it replaces did",
        is_from_start=True,
    )
    return replace(note, order=order)


def _obstacle(file: MeasuredFile, cut: int, merged: MergedSet) -> Finding:
    before = merged.package.identity.name
    return Finding(
        check=START_ALIGNMENT,
        severity="fail",
        file=file.path,
        files=(file.path,),
        song=file.source.song,
        against=tuple(merged.carried)[:1],
        message=f"{before} begins {cut:,} samples into the files as they were dropped, and this "
        "one sounds before that",
        advice="Drop the whole session again and deliver it with --after, so that all its files "
        "begin earlier.",
    )
