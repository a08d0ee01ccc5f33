"""Compare two packages by what their manifests tell."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from stemprep.app.told import told_by
from stemprep.lineage import PackageComparison, compare_manifests
from stemprep.transfer import Address


def compare(old: Path | Address, new: Path | Address) -> PackageComparison:
    """What changed from one package to another, wherever they lie; nothing is measured again.

    Raises DeliveryError for what is no package of ours, or was not sent to its end.
    """
    before, after = told_by(old), told_by(new)
    names = [
        replace(told.manifest, name=place.name or told.manifest.name)  # as people know them
        for told, place in ((before, old), (after, new))
    ]
    return compare_manifests(names[0], names[1], old_seal=before.seal)
