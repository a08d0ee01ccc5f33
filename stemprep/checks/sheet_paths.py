"""What the session sheet's patterns name: they count from the drop's top or the sheet's folder."""

from __future__ import annotations

from collections.abc import Iterable

from stemprep.model.session import MeasuredSession
from stemprep.naming import PathIndex


def sheet_index(measured: MeasuredSession, paths: Iterable[str]) -> PathIndex:
    """Index paths so that a pattern finds them from wherever the sheet lies."""
    places = [entry.path for entry in measured.session.entries if entry.kind == "sheet"]
    return PathIndex(paths, places[0].rpartition("/")[0] if places else "")
