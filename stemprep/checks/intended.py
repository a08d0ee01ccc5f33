"""What the session sheet calls intended is a note at most."""

from __future__ import annotations

from stemprep.model.session import MeasuredFile
from stemprep.model.words import Severity


def own_severity(file: MeasuredFile, words: frozenset[str], own: Severity = "fail") -> Severity:
    """Give ``own``, or note where the sheet's ``intended`` has one of these words."""
    note = file.source.note
    if note is not None and words & {word.strip().casefold() for word in note.intended}:
        return "note"
    return own
