"""Compare two packages by what their manifests tell."""

from __future__ import annotations

from pathlib import Path

from stemprep.app.told import told_by
from stemprep.lineage import PackageComparison, compare_manifests
from stemprep.transfer import Address


def compare(old: Path | Address, new: Path | Address) -> PackageComparison:
    """What changed from one package to another, wherever they lie; nothing is measured again.

    Raises DeliveryError for what is no package of ours, or was not sent to its end.
    """
    before, after = told_by(old), told_by(new)
    return compare_manifests(before.manifest, after.manifest, old_seal=before.seal)
