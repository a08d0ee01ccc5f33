"""Where things came from: what packages tell of their files, compared without their sound."""

from stemprep.lineage.file_change import CHANGE_KINDS, ChangeKind, FileChange
from stemprep.lineage.manifests import DocumentChange, PackageComparison, compare_manifests
from stemprep.lineage.records import (
    DeliveredDocument,
    DeliveredFile,
    DeliveredSource,
    Manifest,
    parse_manifest,
)
from stemprep.lineage.stated_facts import FactChange

__all__ = [
    "CHANGE_KINDS",
    "ChangeKind",
    "DeliveredDocument",
    "DeliveredFile",
    "DeliveredSource",
    "DocumentChange",
    "FactChange",
    "FileChange",
    "Manifest",
    "PackageComparison",
    "compare_manifests",
    "parse_manifest",
]
