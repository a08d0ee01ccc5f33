"""The receipt of a delivery: what was delivered, and every copy of it."""

from __future__ import annotations

import dataclasses

from stemprep.model.json_schema import (
    FLAG,
    INTEGER,
    SHA256,
    TEXT,
    Schema,
    array,
    nullable,
    record,
)
from stemprep.model.package import Copy, Receipt
from stemprep.model.record_codec import Json
from stemprep.model.strict_json import dumps
from stemprep.report import figures
from stemprep.report.layout import Page

SCHEMA_VERSION = 1
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


def receipt_json(receipt: Receipt) -> Json:
    """Give the receipt as plain values for strict JSON."""
    return {
        "schema_version": SCHEMA_VERSION,
        "package": receipt.package,
        "delivery": receipt.delivery,
        "copies": [dataclasses.asdict(copy) for copy in receipt.copies],
        "about_the_seal": SEAL_WORDS,
    }


def render_receipt_json(receipt: Receipt) -> str:
    """Write the receipt as strict JSON text."""
    return dumps(receipt_json(receipt))


def receipt_schema() -> Schema:
    """Describe the receipt (JSON Schema, draft 2020-12); every field is always there."""
    copy = record(
        {
            "place": TEXT,
            "form": {"enum": ["folder", "zip"]},
            "tag_manifest_sha256": SHA256,
            "files": INTEGER,
            "size_bytes": INTEGER,
            "sha256": nullable(SHA256),
            "already_there": FLAG,
        }
    )
    return record(
        {
            "schema_version": {"const": SCHEMA_VERSION},
            "package": TEXT,
            "delivery": INTEGER,
            "copies": array(copy),
            "about_the_seal": TEXT,
        },
        **{
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "$id": f"urn:stemprep:receipt:{SCHEMA_VERSION}",
            "title": "stemprep receipt of a delivery",
        },
    )
