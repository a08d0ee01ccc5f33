"""What checking a shelf of packages has shown: a summary as text, all of it as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from stemprep.model.facts_schema import (
    FLAG,
    INTEGER,
    SHA256,
    TEXT,
    Schema,
    array,
    nullable,
    record,
)
from stemprep.model.package import DAMAGE_KINDS
from stemprep.model.shelf import COPY_STATES, CopyState, ShelfCheck, ShelfEntry
from stemprep.model.strict_json import Json, dumps
from stemprep.report import figures
from stemprep.report.layout import Page
from stemprep.report.verification import PROOF_WORDS, package_json

SCHEMA_VERSION = 1
MAX_ROWS = 200
MAX_DAMAGES = 10
_COPY_WORDS: dict[CopyState, str] = {
    "same": "the copy is the same",
    "damaged": "the copy is damaged",
    "missing": "the copy is missing",
    "other": "the copy is another package",
}


def render_shelf(check: ShelfCheck, width: int = 80) -> str:
    """Verdict, what to do, one line a package, then what is wrong with which."""
    page = Page(width=width)
    page.fact("Verdict", _verdict(check))
    page.fact("To do", _to_do(check))
    page.fact("Checked", f"{check.checked_at}, {check.shelf}")
    page.fact("Log", check.log)
    page.head("Packages")
    for entry in check.entries[:MAX_ROWS]:
        page.put(f"{entry.name}: {_words(entry)}", "  ", "    ")
    if len(check.entries) > MAX_ROWS:
        page.put(f"and {len(check.entries) - MAX_ROWS:,} more: see --json", "  ")
    for last in check.gone:
        page.put(
            f"{last.package}: gone; it was {last.state} on {last.checked_at[:10]}", "  ", "    "
        )
    for entry in check.entries:
        if not entry.is_proved:
            _put_wrong(page, entry)
    page.blank()
    page.put(PROOF_WORDS)
    return page.text()


def _verdict(check: ShelfCheck) -> str:
    counts = Counter(entry.state for entry in check.entries)
    words = [f"{counts[s]} {s}" for s in ("whole", "damaged", "incomplete") if counts[s]]
    exchanged = sum(entry.is_exchanged for entry in check.entries)
    words += [f"{exchanged} exchanged since the last check"] if exchanged else []
    words += [f"{len(check.gone)} gone"] if check.gone else []
    copies = Counter(entry.copy.state for entry in check.entries if entry.copy is not None)
    words += [f"{copies[state]} with {_COPY_WORDS[state]}" for state in copies if state != "same"]
    words += ["all copies the same"] if copies and set(copies) == {"same"} else []
    return f"{', '.join(words)} of {figures.plural(len(check.entries), 'package')}"


def _to_do(check: ShelfCheck) -> str:
    if check.is_proved:
        return "Nothing until the next check."
    if any(entry.state != "whole" and _is_copy_whole(entry) for entry in check.entries):
        return "Replace what is damaged from the copy that is whole, then check again."
    if any(entry.state != "whole" for entry in check.entries):
        return "Replace what is damaged from another copy, then check again."
    if any(entry.copy is not None and entry.copy.state != "same" for entry in check.entries):
        return "Make the second copy anew where it is not the same, then check again."
    return "Ask who moved or exchanged what is named below."


def _is_copy_whole(entry: ShelfEntry) -> bool:
    return entry.copy is not None and entry.copy.state in ("same", "other")


def _words(entry: ShelfEntry) -> str:
    result = entry.verification
    words = [
        entry.state,
        figures.plural(result.files, "file"),
        figures.size(result.size_bytes),
        f"last {entry.last.state} on {entry.last.checked_at[:10]}" if entry.last else "first check",
    ]
    if entry.copy is not None:
        words.append(_COPY_WORDS[entry.copy.state])
    return ", ".join(words)


def _put_wrong(page: Page, entry: ShelfEntry) -> None:
    page.head(entry.name)
    if entry.is_exchanged and entry.last is not None:
        page.put(
            f"its seal is not the one logged on {entry.last.checked_at[:10]}: another package, or "
            "a changed list of hashes, lies in its place",
            "  - ",
        )
    for damage in entry.verification.damages[:MAX_DAMAGES]:
        page.put(f"{damage.path}: {damage.message}", "  - ", "    ")
    _put_more(page, entry.verification.damages)
    if entry.copy is None or entry.copy.state == "same":
        return
    page.put(f"{_COPY_WORDS[entry.copy.state]}: {entry.copy.place}", "  - ", "    ")
    damages = () if entry.copy.verification is None else entry.copy.verification.damages
    for damage in damages[:MAX_DAMAGES]:
        page.put(f"{damage.path}: {damage.message}", "    - ", "      ")
    _put_more(page, damages)


def _put_more(page: Page, damages: Sequence[object]) -> None:
    if len(damages) > MAX_DAMAGES:
        page.put(f"and {len(damages) - MAX_DAMAGES:,} more: see --json", "  - ")


def shelf_json(check: ShelfCheck) -> Json:
    """Give the check as plain values for strict JSON."""
    return {
        "schema_version": SCHEMA_VERSION,
        "is_proved": check.is_proved,
        "shelf": check.shelf,
        "checked_at": check.checked_at,
        "log": check.log,
        "packages": [_entry_json(entry) for entry in check.entries],
        "gone": [
            {"package": last.package, "state": last.state, "checked_at": last.checked_at}
            for last in check.gone
        ],
    }


def _entry_json(entry: ShelfEntry) -> Json:
    copy, last = entry.copy, entry.last
    return {
        **package_json(entry.verification),
        "name": entry.name,
        "is_exchanged": entry.is_exchanged,
        "last_checked_at": None if last is None else last.checked_at,
        "last_state": None if last is None else last.state,
        "copy": None
        if copy is None
        else {
            "place": copy.place,
            "state": copy.state,
            "damages": []
            if copy.verification is None
            else package_json(copy.verification)["damages"],
        },
    }


def render_shelf_json(check: ShelfCheck) -> str:
    """Write the check as strict JSON text."""
    return dumps(shelf_json(check))


def shelf_schema() -> Schema:
    """Describe the JSON of a shelf's check (JSON Schema, draft 2020-12); all fields are there."""
    damages = array(record({"path": TEXT, "kind": {"enum": list(DAMAGE_KINDS)}, "message": TEXT}))
    copy = record({"place": TEXT, "state": {"enum": list(COPY_STATES)}, "damages": damages})
    package = record(
        {
            "package": TEXT,
            "name": TEXT,
            "state": {"enum": ["whole", "damaged", "incomplete"]},
            "is_whole": FLAG,
            "is_complete": FLAG,
            "is_exchanged": FLAG,
            "files": INTEGER,
            "size_bytes": INTEGER,
            "tag_manifest_sha256": nullable(SHA256),
            "damages": damages,
            "last_checked_at": nullable(TEXT),
            "last_state": nullable(TEXT),
            "copy": nullable(copy),
        }
    )
    return record(
        {
            "schema_version": {"const": SCHEMA_VERSION},
            "is_proved": FLAG,
            "shelf": TEXT,
            "checked_at": TEXT,
            "log": TEXT,
            "packages": array(package),
            "gone": array(record({"package": TEXT, "state": TEXT, "checked_at": TEXT})),
        },
        **{
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"urn:stemprep:shelf:{SCHEMA_VERSION}",
            "title": "stemprep check of a shelf of packages",
        },
    )
