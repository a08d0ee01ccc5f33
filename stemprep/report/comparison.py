"""What changed from one package to the next: one screen of text, and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.lineage import (
    CHANGE_KINDS,
    ChangeKind,
    DocumentChange,
    FactChange,
    FileChange,
    Manifest,
    PackageComparison,
)
from stemprep.model.json_document import JsonDocument, widened
from stemprep.model.record_codec import Schema
from stemprep.model.words import Verdict
from stemprep.report import figures
from stemprep.report.layout import Page, columns, cut

MAX_LISTED_CHANGES = 5
MAX_LISTED_FACTS = 6
MAX_SCREEN_LINES = 48
"""A tall terminal window; what does not fit is counted, and stands in the JSON."""

_HEADINGS: dict[ChangeKind, str] = {
    "added": "Added",
    "removed": "Removed",
    "renamed": "Renamed",
    "re-recorded": "Re-recorded: another sound",
    "prepared": "The same recording, prepared in another way",
    "level": "Level changed",
    "timing": "Moved in time",
    "format": "Other format",
    "header": "The same samples, another header",
    "filed": "Other role or song",
}
_SHORT: dict[ChangeKind, str] = {
    "re-recorded": "re-recorded",
    "prepared": "prepared anew",
    "level": "at another level",
    "timing": "moved",
    "header": "with another header",
    "format": "in another format",
    "filed": "with another role or song",
}
_MANIFEST_WORDS = (
    "Read from both manifests; no file was read and nothing measured again. Whether the files are "
    "still as delivered is what verify tells."
)


def render_comparison(result: PackageComparison, width: int = 80) -> str:
    """One screen of text, no line wider than ``width``; what does not fit is counted."""
    page = Page(width=width)
    page.fact("Changes", _summary(result))
    page.fact("Old", _package_words(result.old))
    page.fact("New", _package_words(result.new))
    page.fact("Lineage", _lineage_words(result))
    if result.new.amendment is not None and result.is_successor:
        page.fact("Why", result.new.amendment.reason or "no reason was given")
    shown = [change for change in result.files if not change.made_by_us]
    for kind in CHANGE_KINDS:
        _put_kind(page, kind, [change for change in shown if _leading_kind(change) == kind])
    _put_made(page, [change for change in result.files if change.made_by_us])
    _put_documents(page, result)
    _put_facts(page, result.facts)
    page.blank()
    page.put(_MANIFEST_WORDS)
    return page.text()


def _summary(result: PackageComparison) -> str:
    if result.is_same:
        return f"none; {figures.plural(result.same, 'file')} the same by their manifests"
    counts = {
        kind: sum(kind in change.kinds for change in result.files if not change.made_by_us)
        for kind in CHANGE_KINDS
    }
    words = [f"{count} {_SHORT.get(kind, kind)}" for kind, count in counts.items() if count]
    made = sum(change.made_by_us for change in result.files)
    words += [f"{made} made by stemprep anew"] if made else []
    words += [figures.plural(len(result.documents), "document")] if result.documents else []
    words += [figures.plural(len(result.facts), "fact")] if result.facts else []
    return f"{', '.join(words)}; {figures.plural(result.same, 'file')} the same by their manifests"


def _package_words(manifest: Manifest) -> str:
    files = figures.plural(len(manifest.files), "audio file")
    return f"{manifest.name}, delivery {manifest.delivery}, {files}, {manifest.verdict}"


def _lineage_words(result: PackageComparison) -> str:
    if result.is_successor:
        return "the new one was made to follow the old one: it names its seal"
    if result.new.predecessor is None:
        return "the new one follows none"
    return (
        f"the new one follows {result.new.predecessor.name} (delivery "
        f"{result.new.predecessor.number}), whose seal is not that of the old one"
    )


def _leading_kind(change: FileChange) -> ChangeKind:
    """The heading that a change stands under: what happened to the sound goes before the name."""
    order: tuple[ChangeKind, ...] = (
        "added", "removed", "re-recorded", "prepared", "level", "timing", "format", "header",
        "renamed", "filed",
    )  # fmt: skip
    return next(kind for kind in order if kind in change.kinds)


def _put_kind(page: Page, kind: ChangeKind, changes: Sequence[FileChange]) -> None:
    if not changes:
        return
    page.head(f"{_HEADINGS[kind]} ({len(changes)})")
    room = MAX_LISTED_CHANGES if len(page.lines) < MAX_SCREEN_LINES // 2 else 2
    for change in changes[:room]:
        _put_row(page, change.path, _change_words(change))
    if len(changes) > room:
        page.put(f"and {len(changes) - room} more: see --json", "  ")


def _put_row(page: Page, path: str, words: str) -> None:
    """One line where path and words fit on it, else two."""
    shown = cut(path, page.width - 2)
    line = f"{shown}: {words}" if words else shown
    if columns(line) + 2 <= page.width:
        page.put(line, "  ")
    else:
        page.put(f"{shown}:", "  ")
        page.lines.append("    " + cut(words, page.width - 4))


def _change_words(change: FileChange) -> str:
    words = []
    if "renamed" in change.kinds:
        words.append(f"was {change.was}")
    if change.gain_db is not None:
        words.append(f"{change.gain_db:+.2f} dB")
    if change.moved_samples is not None:
        words.append(_moved_words(change.moved_samples))
    if change.peak_change_db is not None:
        words.append(f"peak {_signed(change.peak_change_db)} dB")
    if change.loudness_change_lu is not None:
        words.append(f"loudness {_signed(change.loudness_change_lu)} LU")
    words += [_fact_words(fact) for fact in change.facts]
    return ", ".join(words)


def _signed(value: float) -> str:
    """One decimal with its sign; what rounds to nothing has none."""
    return f"{value:+.1f}" if abs(value) >= 0.05 else "0.0"


def _moved_words(samples: int) -> str:
    if not samples:
        return "the file begins elsewhere, the sound lies where it did"
    way = "later" if samples > 0 else "earlier"
    return f"{figures.plural(abs(samples), 'sample')} {way}"


def _fact_words(fact: FactChange) -> str:
    old, new = (_value(value) for value in (fact.old, fact.new))
    return f"{_name(fact.name)} {old} -> {new}"


def _name(name: str) -> str:
    return {
        "sample_rate_hz": "rate",
        "bit_depth": "bits",
        "time_reference_samples": "time reference",
        "frames": "length",
    }.get(name, name)


def _value(value: object) -> str:
    if value is None:
        return "not said"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:,}" if isinstance(value, int) else str(value)


def _put_made(page: Page, changes: Sequence[FileChange]) -> None:
    if changes:
        page.head(f"Made by stemprep anew ({len(changes)})")
        page.lines.append("  " + cut(", ".join(change.path for change in changes), page.width - 2))


def _put_documents(page: Page, result: PackageComparison) -> None:
    if result.documents:
        page.head(f"Documents ({len(result.documents)})")
        words = ", ".join(f"{item.path} {item.kind}" for item in result.documents)
        page.lines.append("  " + cut(words, page.width - 2))


def _put_facts(page: Page, facts: Sequence[FactChange]) -> None:
    if not facts:
        return
    page.head(f"Facts ({len(facts)})")
    for fact in facts[:MAX_LISTED_FACTS]:
        old, new = _value(fact.old), _value(fact.new)
        page.lines.append("  " + cut(f"{fact.name}: {old} -> {new}", page.width - 2))
    if len(facts) > MAX_LISTED_FACTS:
        page.put(f"and {len(facts) - MAX_LISTED_FACTS} more: see --json", "  ")


_DESCRIPTION = (
    "What changed from an old package to a new one. Paths are below data/, 'was' in the old "
    "package, 'path' in the new one (of a removed file, in the old one). gain_db is new minus "
    "old. moved_samples is positive for later: on the timeline where both files have a time "
    "reference, else in the file; 0 where only the file begins elsewhere."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Package:
    name: str
    delivery: int
    verdict: Verdict
    files: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comparison:
    is_same: bool
    is_successor: bool
    old: _Package
    new: _Package
    files_unchanged: int
    files: tuple[FileChange, ...]
    documents: tuple[DocumentChange, ...]
    facts: tuple[FactChange, ...]


_DOCUMENT = JsonDocument(
    kind="comparison",
    record=_Comparison,
    title="stemprep comparison of two packages",
    description=_DESCRIPTION,
)


def render_comparison_json(result: PackageComparison) -> str:
    """Write the comparison as strict JSON text."""
    old, new = (
        widened(_Package, manifest, files=len(manifest.files))
        for manifest in (result.old, result.new)
    )
    return _DOCUMENT.text(
        widened(_Comparison, result, old=old, new=new, files_unchanged=result.same)
    )


def comparison_schema() -> Schema:
    """Describe the record; every field is always there."""
    return _DOCUMENT.schema()
