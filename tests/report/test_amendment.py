"""The sentence that tells what a delivery corrects, before everything else."""

from __future__ import annotations

from stemprep.model.package import Amendment
from stemprep.report.amendment import amendment_words


def test_a_drop_of_the_same_files_is_not_told_as_a_correction_of_the_sheet() -> None:
    told = amendment_words(Amendment(package="P_01", reason="effects were wrong"))
    assert told.startswith("no file (the dropped ones are those of before, or a session sheet")
    assert "because: effects were wrong." in told


def test_what_was_replaced_is_named_with_its_reason() -> None:
    told = amendment_words(Amendment(package="P_01", reason="", replaced=("stems/Keys.wav",)))
    assert told == (
        "replaced stems/Keys.wav, because: no reason was given. Everything else is as it was in "
        "P_01."
    )
