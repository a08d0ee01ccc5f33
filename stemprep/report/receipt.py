"""The receipt of a delivery: what was delivered, and every copy of it."""

from __future__ import annotations

from dataclasses import dataclass

from stemprep.model.json_document import JsonDocument, widened
from stemprep.model.package import Copy, Receipt
from stemprep.model.record_codec import Schema
from stemprep.report import figures
from stemprep.report.layout import Page

SEAL_WORDS = (
    "The seal is the sha256 of tagmanifest-sha256.txt. Give it to the receiver by another way "
    "than the package: who finds the same one has the same package."
)


def put_receipt(page: Page, receipt: Receipt) -> None:
    """Put every copy with its place, and the seal on a line of its own to be copied."""
    page.head(f"Receipt: {figures.plural(len(receipt.copies), 'copy', 'copies')}, each read back")
    for copy in receipt.copies:
        page.put(copy.place, "  - ", "    ")
        page.put(_copy_words(copy), "    ")
    for seal in dict.fromkeys(copy.tag_manifest_sha256 for copy in receipt.copies):
        page.fact("Seal", "sha256 of tagmanifest-sha256.txt:", indent=2)
        page.command(seal)


def _copy_words(copy: Copy) -> str:
    known = ", already delivered" if copy.already_there else ""
    form = "one zip" if copy.form == "zip" else "a folder"
    size = figures.size(copy.size_bytes)
    return f"{form}, {figures.plural(copy.files, 'file')}, {size}, whole{known}"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Receipt(Receipt):
    about_the_seal: str = SEAL_WORDS


_DOCUMENT = JsonDocument(kind="receipt", record=_Receipt, title="stemprep receipt of a delivery")


def render_receipt_json(receipt: Receipt) -> str:
    """Write the receipt as strict JSON text."""
    return _DOCUMENT.text(widened(_Receipt, receipt, about_the_seal=SEAL_WORDS))


def receipt_schema() -> Schema:
    """Describe the receipt (JSON Schema, draft 2020-12); every field is always there."""
    return _DOCUMENT.schema()
