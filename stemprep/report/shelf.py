"""What checking a shelf of packages has shown: a summary as text, all of it as JSON."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated

from stemprep.model.json_document import JsonDocument, widened
from stemprep.model.package import Verification
from stemprep.model.record_codec import EMPTY_IS_NULL, Schema
from stemprep.model.shelf import (
    Confirmation,
    CopyCheck,
    CopyState,
    OnlyCopy,
    ShelfCheck,
    ShelfEntry,
)
from stemprep.report import figures
from stemprep.report.layout import Page
from stemprep.report.verification import (
    NAMES_WORDS,
    PROOF_WORDS,
    put_additions,
    put_commands,
)

MAX_ROWS = 200
MAX_DAMAGES = 10
FETCH_WORDS = (
    "The copy at {place} is whole there. In a terminal, line by line in this order, these fetch "
    "what is lost here; what lies in its place goes beside the package, nothing is removed:"
)
MEND_WORDS = (
    "What the copy at {place} lost is whole here. In a terminal, line by line in this order, these "
    "mend it; what lies in its place goes beside the copy, nothing is removed:"
)
_COPY_WORDS: dict[CopyState, str] = {
    "same": "the copy is the same",
    "damaged": "the copy is damaged",
    "missing": "the copy is missing",
    "other": "the copy is another package",
}
_KNOWN_SEAL = "it is whole and has the seal that was known until the exchange: keep it as it is"


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
    for only in check.only_copies[:MAX_ROWS]:
        page.put(f"{only.name}: only in the copy, {only.place}", "  ", "    ")
    if len(check.only_copies) > MAX_ROWS:
        page.put(f"and {len(check.only_copies) - MAX_ROWS:,} more: see --json", "  ")
    _put_remarks(page, check)
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
    again = sum(entry.is_whole_again for entry in check.entries)
    words += [f"{again} whole again after damage"] if again else []
    words += [f"{len(check.gone)} gone"] if check.gone else []
    copies = Counter(_copy_words(entry, copy) for entry, copy in _copies(check))
    words += [f"{count} with {text}" for text, count in copies.items() if text != _SAME]
    words += ["all copies the same"] if copies and set(copies) == {_SAME} else []
    words += [f"{len(check.only_copies)} only in a copy"] if check.only_copies else []
    return f"{', '.join(words)} of {figures.plural(len(check.entries), 'package')}"


_SAME = _COPY_WORDS["same"]


def _copies(check: ShelfCheck) -> Iterator[tuple[ShelfEntry, CopyCheck]]:
    for entry in check.entries:
        for copy in entry.copies:
            yield entry, copy


def _copy_words(entry: ShelfEntry, copy: CopyCheck) -> str:
    if copy.state == "same" and entry.state != "whole":
        return "the copy whole"
    return _COPY_WORDS[copy.state]


def _to_do(check: ShelfCheck) -> str:
    if check.is_proved:
        return "Nothing until the next check."
    lost = [entry for entry in check.entries if entry.state != "whole"]
    if any(copy.fetch for entry in lost for copy in entry.copies):
        return "Fetch what is lost from the copy that has it whole, as below, then check again."
    if lost and all(_is_only_misplaced(entry) for entry in lost):
        return "Give the files named below their names back, then check again; nothing is lost."
    if lost:
        return "Keep everything; fetch what is lost from another copy, then check again."
    if check.gone or any(entry.is_exchanged for entry in check.entries):
        keep = " Keep every copy as it is until then." if any(_copies(check)) else ""
        return (
            f"Ask who moved or exchanged what is named below.{keep} Where it was meant: stemprep "
            "verify --confirm PACKAGE --initials WHO"
        )
    if any(copy.mend for _, copy in _copies(check)):
        return "Mend the copy from what is whole here, as below, then check again."
    states = {copy.state for _, copy in _copies(check)}
    if "other" in states:
        return (
            "Find out which of the two is the one that was delivered, by the seal that the sender "
            "gave; overwrite neither until then."
        )
    if states - {"same"}:
        return (
            "Make anew, beside what lies there, the copy that is lost or damaged; then check again."
        )
    return "Copy to the shelf what only a copy holds, or ask who put it there."


def _is_only_misplaced(entry: ShelfEntry) -> bool:
    damages = entry.verification.damages
    return bool(damages) and all(damage.cause in ("renamed", "swapped") for damage in damages)


def _words(entry: ShelfEntry) -> str:
    result = entry.verification
    words = [
        entry.state,
        figures.plural(result.files, "file"),
        figures.size(result.size_bytes),
        f"last {entry.last.state} on {entry.last.checked_at[:10]}" if entry.last else "first check",
    ]
    words += [_copy_words(entry, copy) for copy in entry.copies]
    return ", ".join(words)


def _put_remarks(page: Page, check: ShelfCheck) -> None:
    for entry in check.entries:
        if entry.is_proved and _has_remark(entry):
            page.head(entry.name)
            _put_history(page, entry)
            put_additions(page, entry.verification)


def _has_remark(entry: ShelfEntry) -> bool:
    result = entry.verification
    return entry.is_whole_again or bool(result.system_files or result.other_forms)


def _put_history(page: Page, entry: ShelfEntry) -> None:
    last = entry.last
    if entry.is_exchanged and last is not None:
        page.put(
            f"its seal is not the one known since {last.known_at[:10]}: another package, or "
            "a changed list of hashes, lies in its place; told until it is confirmed",
            "  - ",
            "    ",
        )
    if entry.is_whole_again and last is not None:
        page.put(
            f"whole again; it was damaged on {last.damaged_at[:10]} ({last.damage or 'not told'}). "
            "Where nobody mended it, its disk or cable gives other bytes at other times: copy it "
            "to another disk. Where somebody did, confirm it",
            "  - ",
            "    ",
        )


def _put_wrong(page: Page, entry: ShelfEntry) -> None:
    page.head(entry.name)
    _put_history(page, entry)
    for damage in entry.verification.damages[:MAX_DAMAGES]:
        page.put(f"{damage.path}: {damage.message}", "  - ", "    ")
    _put_more(page, entry.verification)
    put_additions(page, entry.verification)
    put_commands(page, NAMES_WORDS, entry.verification.commands)
    for copy in entry.copies:
        _put_copy(page, entry, copy)


def _put_copy(page: Page, entry: ShelfEntry, copy: CopyCheck) -> None:
    if copy.state == "same" and entry.state == "whole":
        return
    known = f"; {_KNOWN_SEAL}" if _has_known_seal(entry, copy) else ""
    page.put(f"{_copy_words(entry, copy)}: {copy.place}{known}", "  - ", "    ")
    for damage in copy.damages[:MAX_DAMAGES]:
        page.put(f"{damage.path}: {damage.message}", "    - ", "      ")
    if copy.verification is not None:
        _put_more(page, copy.verification)
    _put_fetch(page, FETCH_WORDS, copy.place, copy.fetch, copy.commands)
    _put_fetch(page, MEND_WORDS, copy.place, copy.mend, copy.mend_commands)


def _has_known_seal(entry: ShelfEntry, copy: CopyCheck) -> bool:
    """Tell whether an exchanged package's copy is the one that was there before, by its seal."""
    if copy.state != "other" or not entry.is_exchanged or copy.verification is None:
        return False
    assert entry.last is not None, "what was exchanged is known to the log"
    return copy.verification.tag_manifest_sha256 == entry.last.known_seal


def _put_fetch(
    page: Page, words: str, place: str, paths: Sequence[str], commands: Sequence[str]
) -> None:
    if commands:
        put_commands(page, words.format(place=place), commands)
    elif paths:
        start = words.format(place=place).split(". ", maxsplit=1)[0]
        more = ", ..." if len(paths) > MAX_DAMAGES else ""
        page.put(f"{start}: {', '.join(paths[:MAX_DAMAGES])}{more}", "    ")


def _put_more(page: Page, result: Verification) -> None:
    more = result.all_damages - MAX_DAMAGES
    if more > 0:
        page.put(f"and {more:,} more: see --json", "  - ")


def render_confirmation(done: Confirmation, width: int = 80) -> str:
    """One screen: who answers for what, and where that stands."""
    page = Page(width=width)
    what = "taken away" if done.seal is None else "whole, as it lies there now"
    page.fact("Confirmed", f"{done.package}: {what}")
    page.fact("By", f"{done.by}, {done.confirmed_at}")
    page.fact("Log", done.log)
    if done.seal is not None:
        page.fact("Seal", "sha256 of tagmanifest-sha256.txt:")
        page.command(done.seal)
        if done.last.known_seal and done.last.known_seal != done.seal:
            page.fact("Before", f"known since {done.last.known_at}:")
            page.command(done.last.known_seal)
    return page.text()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Confirmation:
    package: str
    confirmed_at: str
    confirmed_by: str
    log: str
    tag_manifest_sha256: str | None
    known_seal_before: Annotated[str, EMPTY_IS_NULL]


def render_confirmation_json(done: Confirmation) -> str:
    """Write the confirmation as strict JSON text."""
    return JsonDocument(
        kind="confirmation", record=_Confirmation, title="stemprep confirmation of a package"
    ).text(
        widened(
            _Confirmation,
            done,
            confirmed_by=done.by,
            tag_manifest_sha256=done.seal,
            known_seal_before=done.last.known_seal,
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gone:
    package: str
    state: str
    checked_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shelf:
    is_proved: bool
    shelf: str
    checked_at: str
    log: str
    packages: tuple[ShelfEntry, ...]
    gone: tuple[_Gone, ...]
    only_copies: tuple[OnlyCopy, ...]


_DOCUMENT = JsonDocument(kind="shelf", record=_Shelf, title="stemprep check of a shelf of packages")


def render_shelf_json(check: ShelfCheck) -> str:
    """Write the check as strict JSON text."""
    gone = tuple(widened(_Gone, last) for last in check.gone)
    return _DOCUMENT.text(widened(_Shelf, check, packages=check.entries, gone=gone))


def shelf_schema() -> Schema:
    """Describe the JSON of a shelf's check (JSON Schema, draft 2020-12); all fields are there."""
    return _DOCUMENT.schema()
