"""Where each new file of a return lies in the next delivery: found, ordered, or not known."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from stemprep.app.corrections.merged_set import OpenPackage, merge
from stemprep.app.returns.reconcile import Held
from stemprep.app.returns.takes import timelines
from stemprep.checks.start_alignment import ID as START_ALIGNMENT
from stemprep.checks.tell import span
from stemprep.checks.unplaced import unplaced
from stemprep.errors import UsageError
from stemprep.lineage.placing import TAIL_S, Timeline
from stemprep.lineage.speed import true_rate_hz
from stemprep.model.finding import Finding
from stemprep.model.reconciliation import NewFile, Placing
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import WorkOrder
from stemprep.naming import PathIndex
from stemprep.timeline import SongTimeline, timeline_of_song

_SAMPLES = re.compile(r"[+-]?\d{1,12}")
_BAR = re.compile(r"bar ?(-?\d{1,6})(?:,? beat ?(\d{1,3}))?", re.IGNORECASE)
_HOW = "give it as FILE=SAMPLES from the session's start, or as FILE='bar 17'"


def ordered_places(
    places: Sequence[str], new_files: Sequence[NewFile], package: OpenPackage
) -> dict[str, int]:
    """Returned path -> where it is to begin, samples of the session from its common start.

    places: ``PATTERN=SAMPLES`` or ``PATTERN=bar 17`` (``bar 17 beat 3``), as on a command line.
    UsageError where one names no new file, is no place, or lies outside the session.
    """
    new = {file.file: file for file in new_files}
    index = PathIndex(new)
    lines = timelines(package.manifest)
    found: dict[str, int] = {}
    for text in places:
        pattern, is_given, where = text.rpartition("=")
        if not is_given or not pattern or not where.strip():
            raise UsageError(f"--place {text}: {_HOW}")
        named = index.named_by(pattern)
        if not named:
            known = ", ".join(list(new)[:4]) or "none"
            raise UsageError(f"--place {text}: names no new file of the return (new: {known})")
        for path in named:
            sample = _sample(text, where.strip(), new[path], package, lines)
            if found.setdefault(path, sample) != sample:
                raise UsageError(f"--place {text}: two places are ordered for {path}; give one")
    return found


def _sample(
    text: str, where: str, file: NewFile, package: OpenPackage, lines: Mapping[str, Timeline]
) -> int:
    line = lines.get(file.song)
    if line is None:
        raise UsageError(f"--place {text}: {file.evidence}, so it has no start to count from")
    if _SAMPLES.fullmatch(where):
        sample = int(where)
    elif (bar := _BAR.fullmatch(where)) is not None:
        sample = _sample_of_bar(text, int(bar[1]), int(bar[2] or 1), file, package, line)
    else:
        raise UsageError(
            f"--place {text}: {where} is neither a number of samples nor a bar; {_HOW}"
        )
    if sample > line.frames + TAIL_S * line.rate_hz:
        raise UsageError(
            f"--place {text}: sample {sample:,} lies after the end of the session, which is "
            f"{line.frames:,} samples long"
        )
    return sample


def _sample_of_bar(
    text: str, bar: int, beat: int, file: NewFile, package: OpenPackage, line: Timeline
) -> int:
    bars = _bars_of(file.song, package, line)
    if bars.tempo_map is None or bars.bar_1_sample is None:
        why = bars.no_bar_1 or bars.no_map
        raise UsageError(
            f"--place {text}: the bars of the song are not known ({why}); give the place in samples"
        )
    beats = bars.tempo_map.meter_of(bar).beats
    if not 1 <= beat <= beats:
        raise UsageError(f"--place {text}: bar {bar} has beats 1 to {beats}")
    return bars.sample_of(bar, beat) - (line.start_samples or 0)


def _bars_of(song: str, package: OpenPackage, line: Timeline) -> SongTimeline:
    """The bars of a song as the package's own sheet and tempo files give them."""
    merged = merge(package, (), sheet=package.manifest.sheet)
    return timeline_of_song(
        merged.session.note_of(song), line.rate_hz, is_stamped=line.start_samples is not None
    )


_BY_MIX: tuple[Placing, ...] = ("spill", "same-source")
_PLACED = "from the session's start, as ordered on the command line"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """How a new file comes to its place.

    order: for the plan; is_lag_out: a person had its lag taken out; is_placed: a person said where
    it begins.
    """

    order: WorkOrder
    is_lag_out: bool = False
    is_placed: bool = False


def stands_of(
    held: Held, moves: Sequence[str], places: Sequence[str] = ()
) -> tuple[dict[str, Stand], list[Finding]]:
    """Returned path -> how each new file is placed, and what keeps a file from being placed.

    A lag is taken out only where that is ordered, by pattern on the command line or in the return's
    own sheet; a place that is ordered goes before all that the file says. UsageError where a
    pattern names no new file, nothing was measured to take out, or both are ordered for one file.
    """
    ordered = _ordered_moves(held, moves)
    placed = ordered_places(places, held.returned.new_files, held.package)
    for path in placed.keys() & ordered.keys():
        raise UsageError(f"{path}: both a place and a move are ordered for it; give one of them")
    measured = {file.path: file for file in held.inspection.measured.files}
    stands: dict[str, Stand] = {}
    obstacles: list[Finding] = []
    for file in held.returned.new_files:
        where = ordered.get(file.file)
        stand = _stand(file, measured[file.file], where, placed.get(file.file))
        if isinstance(stand, Finding):
            obstacles.append(stand)
        else:
            stands[file.file] = stand
    return stands, obstacles


def _ordered_moves(held: Held, moves: Sequence[str]) -> dict[str, str]:
    """Returned path -> where its lag was ordered to be taken out, in words."""
    new = {file.file: file for file in held.returned.new_files}
    index = PathIndex(new)
    wanted: dict[str, str] = {}
    for pattern in moves:
        named = index.named_by(pattern)
        if not named:
            known = ", ".join(list(new)[:4]) or "none"
            raise UsageError(f"--move {pattern}: names no new file of the return (new: {known})")
        wanted.update(dict.fromkeys(named, "on the command line"))
    for file in held.inspection.measured.files:
        note = file.source.note
        if file.path in new and note is not None and note.order.undo_lag:
            wanted.setdefault(file.path, "in the session sheet of the return")
    for path, where in wanted.items():
        file_ = new[path]
        if file_.late_samples is None and file_.placed_by not in _BY_MIX:
            raise UsageError(
                f"{path}: its move is ordered {where}, but nothing shows how late it is "
                f"({file_.evidence}); order move_samples with a number in a session.yaml in the "
                "return"
            )
    return wanted


def _stand(
    file: NewFile, measured: MeasuredFile, where: str | None, place: int | None
) -> Stand | Finding:
    """Follow an ordered place, else the time reference, then what was ordered on top of it.

    A place that only the mix in it tells, or nothing, is for a person to order. What an ordered
    move takes off at the session's start was recorded before it, in the lag.
    """
    order = _order_of(file, measured)
    if place is not None:
        if -place > _silent_head(file, measured):
            return _before_start(file, place)
        return Stand(order=_from_start(order, place, _PLACED), is_placed=True)
    if file.placed_by in _BY_MIX and file.start_sample is not None and where is not None:
        reason = f"to where the mix in it begins, as ordered {where}"
        return Stand(order=_from_start(order, file.start_sample, reason), is_lag_out=True)
    if file.session_format is None:
        return unplaced(file, "fail")
    if file.placed_by in ("unknown", *_BY_MIX):
        if order.move_samples is None:
            return _not_placed(file)
        reason = "from the session's start, as ordered in the session sheet of the return"
        return Stand(order=_from_start(order, order.move_samples, reason), is_placed=True)
    lag = file.late_samples or 0 if where is not None else 0
    shift = (order.move_samples or 0) - lag
    start = (file.start_sample or 0) + shift
    if (file.start_sample or 0) < 0 or file.is_miscounted:
        if -start > _silent_head(file, measured):
            return _before_start(file, start)
        reason = "by its time reference; what is cut before the session's start is silent"
        if file.is_miscounted:
            reason = "by its time reference, counted at the session's rate"
        if where:
            reason = f"{reason.partition(';')[0]} and the lag of the mix in it, as ordered {where}"
        return Stand(order=_from_start(order, start, reason), is_lag_out=where is not None)
    reason = f"by the lag of the mix that leaked into it, as ordered {where}" if where else ""
    if order.undo_stretch:
        reason = reason or f"{file.evidence.partition(';')[0]}, at the speed of the session"
        return Stand(order=_from_start(order, start, reason), is_lag_out=where is not None)
    if file.placed_by == "file-start":  # its start is known though it does not say so
        reason = reason or _reason_at_start(file, order)
        return Stand(order=_from_start(order, shift, reason), is_lag_out=where is not None)
    return Stand(
        order=replace(order, move_samples=shift, move_reason=reason), is_lag_out=where is not None
    )


def _order_of(file: NewFile, measured: MeasuredFile) -> WorkOrder:
    """What the return's own sheet orders for a file, with the speed that was measured if asked."""
    note = measured.source.note
    order = WorkOrder() if note is None else note.order
    if not order.undo_stretch:
        return order
    if file.speed is None:
        raise UsageError(
            f"{file.file}: its speed is ordered to be undone in the session sheet of the return, "
            f"but it was not found to run at another one ({file.evidence}); take the order out"
        )
    return replace(order, true_rate_hz=true_rate_hz(file.speed, file.format.sample_rate_hz))


def _reason_at_start(file: NewFile, order: WorkOrder) -> str:
    """What puts a file at the session's start: a person's order, else what was measured of it."""
    if order.move_samples:
        return "from the session's start, as ordered in the session sheet of the return"
    evidence = file.evidence if file.late_samples is not None else file.evidence.partition(";")[0]
    return f"at the session's start: {evidence}"


def _from_start(order: WorkOrder, start: int, reason: str) -> WorkOrder:
    return replace(order, move_samples=start, move_reason=reason, is_from_start=True)


def _silent_head(file: NewFile, measured: MeasuredFile) -> int:
    """Silence before its first sound, in samples of the session."""
    sound, session = measured.facts.sound, file.session_format
    assert sound is not None, "a new file has sound"
    assert session is not None, "a file with a place belongs to a song"
    silent = sound.silence.leading_samples
    return silent * session.sample_rate_hz // file.format.sample_rate_hz


def _not_placed(file: NewFile) -> Finding:
    if file.placed_by not in _BY_MIX:
        return unplaced(file, "fail")
    return replace(
        unplaced(file, "fail"),
        message=f"{file.evidence}; it is not placed by that alone",
        advice=f"Order that place with --move '{file.file}', or another one with "
        f"--place '{file.file}=SAMPLES'.",
    )


def _before_start(file: NewFile, start: int) -> Finding:
    rate_hz = file.session_format.sample_rate_hz if file.session_format is not None else 1
    return Finding(
        check=START_ALIGNMENT,
        severity="fail",
        message=f"sounds before the session's start: it begins {span(-start, rate_hz)} earlier; "
        "the originals would have to begin there too, and they stay byte for byte",
        advice="Deliver the whole session again from the earlier start (deliver with --after), or "
        "ask for an export from the session's start.",
        file=file.file,
        files=(file.file,),
        song=file.song,
        found=start,
        required=0,
        unit="samples",
    )
