"""What a written file says about itself: broadcast extension and channel names."""

from __future__ import annotations

from dataclasses import replace

from stemprep.model.header import AudioFormat, Bext
from stemprep.model.plan import Operation
from stemprep.model.words import OperationName
from stemprep.naming import file_name, split_extension
from stemprep.prepare.draft import Draft, Step

ORIGINATOR = "stemprep"
_CHANGING: frozenset[OperationName] = frozenset(
    {"place", "trim", "pad", "convert-rate", "convert-word-length", "split", "join", "fold-mono",
     "remove-dc", "gain", "edge-fade"}
)  # fmt: skip


def changes_sound(draft: Draft) -> bool:
    """Tell whether samples, channels or their place in time become others."""
    return draft.has(*_CHANGING)


def outgoing_bext(
    draft: Draft, *, is_song_stamped: bool, is_header_ordered: bool = False
) -> Bext | None:
    """Make the broadcast extension to write; None: the source's is carried, or there is none.

    EBU Tech 3285 v2: the time reference follows trim, pad and rate; loudness no longer measured is
    unused; the UMID named the source's material. EBU R 98: one line of coding history for each
    operation, older lines stay. A file without any gets one when its samples change, with its time
    reference where that is known; a zero beside stamped files would be wrong, so then none.
    Dates come from the source alone.

    is_header_ordered: the spec has headers written for every file; where no file of a song has a
    time reference, all get the same one, and not only those that were worked on.
    """
    source = draft.first.facts.header.bext
    is_given_one = is_header_ordered and source is None and not is_song_stamped
    if not changes_sound(draft) and not is_given_one:
        return None
    if source is None and draft.start_samples is None and is_song_stamped:
        return None
    base = source or Bext(description=file_name(draft.first.path), originator=ORIGINATOR)
    return replace(
        base,
        time_reference_samples=draft.start_samples or 0,
        umid=bytes(len(base.umid)),
        loudness_lufs=None,
        loudness_range_lu=None,
        max_true_peak_dbtp=None,
        max_momentary_lufs=None,
        max_short_term_lufs=None,
        coding_history=_history(base.coding_history, draft.steps),
    )


def _history(existing: str, steps: tuple[Step, ...]) -> str:
    joint = "" if not existing or existing.endswith("\n") else "\r\n"
    lines = (coding_line(s.operation, s.form) for s in steps if s.operation.name in _CHANGING)
    return existing + joint + "".join(lines)


def coding_line(operation: Operation, form: AudioFormat) -> str:
    """One line of coding history, EBU R 98-1999: no commas in the free text, CR LF at its end."""
    modes = {1: ["M=mono"], 2: ["M=stereo"]}
    words = [f"{name}={value}" for name, value in sorted(operation.parameters.items())]
    what = " ".join([ORIGINATOR, operation.name, *words]).replace(",", ";")
    kind = " float" if form.encoding == "float" else ""
    fields = [
        "A=PCM",
        f"F={form.sample_rate_hz}",
        f"W={form.bit_depth}",
        *modes.get(form.channels, []),
        f"T={what}{kind}",
    ]
    return ",".join(fields) + "\r\n"


def track_names(draft: Draft) -> tuple[str, ...]:
    """Channel names for iXML where channels were rearranged or the sheet names the track."""
    note = draft.first.source.note
    if draft.has("join"):
        return tuple(_stem(file.path) for file in draft.sources)
    if draft.source_channels:
        return (draft.channel_name,)
    name = None if note is None else note.name
    if name is None:
        return (_stem(draft.first.path),) if draft.has("fold-mono") else ()
    sides = {1: (name,), 2: (f"{name} L", f"{name} R")}
    return sides.get(draft.form.channels, ())


def _stem(path: str) -> str:
    return split_extension(file_name(path))[0]
