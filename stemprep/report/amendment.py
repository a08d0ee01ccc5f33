"""What a delivery corrects, in the one sentence that stands before everything else."""

from __future__ import annotations

from stemprep.model.package import Amendment
from stemprep.report import figures

LABELS = {False: "Corrected", True: "Returned"}
NO_REASON = "no reason was given"


def label(amendment: Amendment) -> str:
    """What kind of change it is, in one word."""
    return LABELS[amendment.is_return]


def amendment_words(amendment: Amendment) -> str:
    """What was replaced, added or left out, why, and in which package."""
    if amendment.is_return:
        return _return_words(amendment)
    done = [
        f"{verb} {figures.file_list(paths)}"
        for verb, paths in (
            ("replaced", amendment.replaced),
            ("added", amendment.added),
            ("left out", amendment.left_out),
        )
        if paths
    ]
    what = (
        "; ".join(done)
        or "no file (the dropped ones are those of before, or a session sheet alone)"
    )
    return (
        f"{what}, because: {amendment.reason or NO_REASON}. Everything else is as it was in "
        f"{amendment.package}."
    )


def _return_words(amendment: Amendment) -> str:
    what = f"added {figures.file_list(amendment.added)}" if amendment.added else "nothing new"
    home = f"; left out {figures.file_list(amendment.left_out)}" if amendment.left_out else ""
    return (
        f"{what}{home}, from what another room sent back. Everything else is as it was in "
        f"{amendment.package}, byte for byte."
    )
