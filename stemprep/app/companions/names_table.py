"""The names as they were dropped, where a package had to give others that hold on every system."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from stemprep.app.check.inspection import Inspection
from stemprep.app.companions.maker import Handover
from stemprep.model.csv_table import csv_table
from stemprep.model.package import StagedDocument
from stemprep.model.plan import Companion, Plan

FILE_NAME = "names-table.csv"
COLUMNS = ("name in this package", "name as dropped", "bytes of the dropped name (hex)")


def plan_companions(inspection: Inspection, planned: Plan) -> Iterable[Companion]:
    """One table, where any name differs; the tree stays, so a moved file counts as renamed."""
    renamed = dict(_renamed(planned))
    if renamed:
        yield Companion(
            kind="names-table",
            path=FILE_NAME,
            song="",
            words="The names as they were dropped, of files that are called otherwise here.",
            made_from=tuple(renamed.values()),
        )


def make(companions: Sequence[Companion], handover: Handover) -> Iterable[StagedDocument]:
    """Write the table as CSV: package path, dropped path, and its bytes in hexadecimal."""
    entries = handover.inspection.measured.session.entries
    raw_paths = {entry.path: entry.raw_path for entry in entries}
    rows = [
        (ours, dropped, raw_paths[dropped].hex()) for ours, dropped in _renamed(handover.planned)
    ]
    content = csv_table(COLUMNS, rows).encode()
    return [handover.staging.add_bytes(companion.path, content) for companion in companions]


def _renamed(planned: Plan) -> Iterator[tuple[str, str]]:
    """(path in the package, dropped path) of all that kept its bytes and not its name."""
    pairs = [(output.path, source) for output in planned.outputs for source in output.sources]
    pairs += [(document.path, document.source) for document in planned.documents]
    yield from sorted(pair for pair in pairs if pair[0] != pair[1])
