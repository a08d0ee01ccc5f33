"""Where things came from: what packages tell of their files, compared without their sound."""

from stemprep.lineage.records import (
    DeliveredDocument,
    DeliveredFile,
    DeliveredSource,
    Manifest,
    parse_manifest,
)

__all__ = [
    "DeliveredDocument",
    "DeliveredFile",
    "DeliveredSource",
    "Manifest",
    "parse_manifest",
]
