"""Files of any folder as jobs take those of a staging folder."""

from __future__ import annotations

import os
from pathlib import Path

from stemprep.package import StagedFile, opened_folder


def staged(path: Path) -> StagedFile:
    """A file, there or not, in a folder that takes the staging folder's place."""
    with opened_folder(path.parent) as folder:
        return StagedFile.below(folder, path.parent.absolute(), os.path.basename(path))  # noqa: PTH119
